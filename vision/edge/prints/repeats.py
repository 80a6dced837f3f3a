"""Where a print repeats itself: shifts by which what lies just inside a side is found again, deeper in the same piece.

First all shifts by whole steps of two pixels are tried on the print as it lies along the side, stretch by stretch of
it; a shift that fits some stretches is likelier than one that fits a single one. The best are then moved until they
match the picture's own pixels (Gauss and Newton's iteration; B. Lucas, T. Kanade, An iterative image registration
technique, 1981). On the mat a repeat is the same shift everywhere, in the picture it is not: all places here are on the
mat, in px along a side and inward of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.windows import Picture
from vision.edge.prints.likeness import CELL_PX, LEAST_SHARE, cells_beside, differences_beside
from vision.edge.prints.shifted import Ground, is_clear, matched, places_of, shown_at

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

MOST_TRIED, MOST_TAKEN = 16, 5
ALIKE = 0.6  # of what strangers, places without a likeness, differ by: what differs less may be the same figure
STEPS = 2
APART_PX = 1.5
WORSE = 2.5  # times the least difference: places that differ more show something else


@dataclass(frozen=True, eq=False, slots=True)
class Repeats:
    """K shifts of a side's print, and in each of its T stretches the shares (T, K) in which they are mixed there."""

    shifts_px: Floats  # (K, 2) along and inward
    shares: Floats  # (T, K), 0 where a shift does not hold; of each stretch 1 in all, or 0 where none holds


def find_repeats(picture: Picture, ground: Ground, sought_px: tuple[float, float], least_px: float) -> Repeats | None:
    """What lies from `sought_px` inside a side to farther inside is looked for at least `least_px` deeper."""
    costs, strangers = _all_costs(picture, ground, sought_px, least_px)
    if not costs.size:
        return None
    fits = np.sum(1.0 - np.minimum(costs / strangers[:, None, None] / ALIKE, 1.0), axis=0).astype(np.float32)
    best = np.argwhere((fits > 0.0) & (fits >= cv2.dilate(fits, np.ones((3, 3), np.uint8))))
    best = best[np.argsort(-fits[tuple(best.T)], kind="stable")[:MOST_TRIED]]
    if not len(best):
        return None
    least = math.ceil(least_px / CELL_PX)
    shifts = CELL_PX * (best[:, ::-1] + np.array([-(fits.shape[1] // 2), least])).astype(np.float64)
    votes = np.ascontiguousarray(ALIKE * strangers[:, None] > costs[:, best[:, 0], best[:, 1]]).T
    levels, at = picture.scene.levels, places_of(ground, *places_inside(ground, *sought_px))
    own, _ = shown_at(levels, ground, at, np.zeros((1, 2)), np.ones((len(strangers), 1)))
    shifts, seen, left = matched(levels, ground, at, own, shifts, votes, STEPS)
    enough = (seen > 0.0) & (seen >= LEAST_SHARE * np.bincount(at.stretch, minlength=len(strangers)))
    shares = taken(shifts, np.where(enough, left, np.inf), least_px)
    return Repeats(shifts, shares) if shares.any() else None


@compiled
def places_inside(ground: Ground, from_px: float, to_px: float) -> tuple[Floats, Floats]:
    """(N,) along and inward: places of a band inside the side, a cell apart, that show cloth."""
    along = np.arange(ground.stretches_px[0], ground.stretches_px[-1], CELL_PX)
    deep = np.arange(from_px, to_px, CELL_PX)
    places, many = np.empty((2, len(along) * len(deep))), 0
    for d in deep:
        for a in along:
            places[0, many], places[1, many] = a, d
            many += is_clear(ground.borders, a, d)
    return places[0, :many], places[1, :many]


@compiled
def taken(shifts_px: Floats, costs: Floats, least_px: float) -> Floats:
    """(T, K): the shares of K shifts in each stretch, by their mean square differences `costs` (K, T) there.

    Shifts are in the order of how well they fit all stretches.
    """
    shares, many = np.zeros(costs.T.shape), len(shifts_px)
    other = shifts_px[:, 1] > least_px
    for k in range(many):
        for before in range(k):
            off = shifts_px[k] - shifts_px[before]
            if math.hypot(off[0], off[1]) < APART_PX:
                other[k] = False
    for t in range(len(shares)):
        least, count, total = np.inf, 0, 0.0
        for k in range(many):
            if other[k]:
                least = min(least, costs[k, t])
        for k in range(many):
            if other[k] and count < MOST_TAKEN and costs[k, t] < np.inf and costs[k, t] <= WORSE * least:
                shares[t, k] = 1.0 / max(costs[k, t], 1e-12)
                count, total = count + 1, total + shares[t, k]
        for k in range(many):
            shares[t, k] /= max(total, 1e-30)
    return shares


def _all_costs(
    picture: Picture, ground: Ground, sought_px: tuple[float, float], least_px: float
) -> tuple[Singles, Singles]:
    """(T, D, 2 C) mean square differences of each stretch from all places deeper, in cells; (T,) those of strangers."""
    seen, clear = cells_beside(picture.scene.levels, ground, picture.encoder.steps[0])
    middles = np.arange(-ground.half_px + 0.5, ground.half_px, CELL_PX)
    ends = np.searchsorted(middles, ground.stretches_px).astype(np.int64)
    band = round(sought_px[0] / CELL_PX), round(sought_px[1] / CELL_PX)
    return differences_beside(seen, clear, *band, ends, math.ceil(least_px / CELL_PX))
