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

from vision.edge.pixels.windows import Picture
from vision.edge.prints.likeness import CELL_PX, LEAST_SHARE, cells_beside, differences_beside
from vision.edge.prints.shifted import CLEAR_PX, Ground, Pixels, Shifts, found_again, shown_at

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

DEEPEST_PX = 88  # inside a side: so far the print is looked through
COARSE_PX = 8  # a picture of the mat is plane enough between places so far apart
MOST_TRIED, MOST_TAKEN = 16, 5
ALIKE = 0.6  # of what strangers, places without a likeness, differ by: what differs less may be the same figure
STEPS = 2
APART_PX = 1.5
WORSE = 2.5  # times the least difference: places that differ more show something else


@dataclass(frozen=True, eq=False, slots=True)
class Repeats:
    """K shifts of a side's print, and in each of its T stretches the shares (T, K) in which they are mixed there."""

    shifts: Shifts  # K
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
    voting = ALIKE * strangers > costs[:, best[:, 0], best[:, 1]].T  # (K, T)
    pixels = _sought(picture, ground, sought_px)
    own, _ = shown_at(picture, pixels, Shifts.still(ground), np.ones((ground.count, 1)))
    for _ in range(STEPS):
        found = found_again(picture, pixels, own, Shifts.on(ground, picture, shifts), ground.count)
        shifts = shifts + found.step_px(voting)
    there = Shifts.on(ground, picture, shifts)
    return _taken(there, found_again(picture, pixels, own, there, ground.count).costs(LEAST_SHARE), least_px)


def _sought(picture: Picture, ground: Ground, sought_px: tuple[float, float]) -> Pixels:
    """Places inside the side, a cell apart."""
    along, deep = np.meshgrid(
        np.arange(ground.stretches_px[0], ground.stretches_px[-1], CELL_PX), np.arange(*sought_px, CELL_PX)
    )
    clear = ground.is_clear(along, deep)
    return Pixels.at(picture, ground, along[clear], deep[clear])


def _taken(shifts: Shifts, costs: Floats, least_px: float) -> Repeats | None:
    """Of K shifts, those that hold in each stretch, by their mean square differences `costs` (K, T) there."""
    apart = np.hypot(*(shifts.px[:, None] - shifts.px).transpose(2, 0, 1)) < APART_PX
    first = ~np.any(np.tril(apart, -1), axis=1) & (shifts.px[:, 1] > least_px)
    if not first.any():
        return None
    shifts, costs = shifts.of(first), costs[first]
    shares = np.zeros(costs.T.shape)
    for t, cost in enumerate(costs.T):
        least = float(cost.min(initial=np.inf))
        if math.isfinite(least):
            # They are in the order of how well they fit all stretches.
            holds = np.flatnonzero(cost <= WORSE * least)[:MOST_TAKEN]
            shares[t, holds] = 1.0 / np.maximum(cost[holds], 1e-12)
            shares[t] /= shares[t].sum()
    return Repeats(shifts, shares)


def _all_costs(
    picture: Picture, ground: Ground, sought_px: tuple[float, float], least_px: float
) -> tuple[Singles, Singles]:
    """(T, D, 2 C) mean square differences of each stretch from all places deeper, in cells; (T,) those of strangers."""
    half = math.ceil(ground.half_px) + DEEPEST_PX // 2
    along = np.arange(-half, half + COARSE_PX, COARSE_PX, dtype=np.float64)
    deep = np.arange(0.0, DEEPEST_PX + COARSE_PX, COARSE_PX)
    nodes = picture.camera.px_from_mat(ground.places_mat_mm(*np.meshgrid(along, deep)), picture.height_mm)
    borders = ground.borders - np.array([CLEAR_PX, 0.0, 0.0])
    seen, clear = cells_beside(
        picture.scene.levels, nodes, COARSE_PX, half, DEEPEST_PX, borders, picture.encoder.steps[0]
    )
    middles = np.arange(-half + 0.5, half, CELL_PX)
    ends = np.searchsorted(middles, ground.stretches_px).astype(np.int64)
    band = round(sought_px[0] / CELL_PX), round(sought_px[1] / CELL_PX)
    return differences_beside(seen, clear, *band, ends, math.ceil(least_px / CELL_PX))
