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
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edge.shifted import Ground, Pixels, found_again, shown_at
from vision.edge.windows import Picture
from vision.light import BGR_OF_LEVELS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

CELL_PX = 2
DEEPEST_PX = 88  # inside a side: so far the print is looked through
COARSE_PX = 8  # a picture of the mat is plane enough between places so far apart
LEAST_SHARE = 0.6  # of what is looked for must lie in the cloth where it is found again
FEWEST_CELLS = 12
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


NONE = Repeats(np.empty((0, 2)), np.empty((0, 0)))


def find_repeats(picture: Picture, ground: Ground, sought_px: tuple[float, float], least_px: float) -> Repeats:
    """What lies from `sought_px` inside a side to farther inside is looked for at least `least_px` deeper."""
    costs, strangers = _all_costs(picture, ground, sought_px, least_px)
    if not costs.size:
        return NONE
    fits = np.sum(1.0 - np.minimum(costs / strangers[:, None, None] / ALIKE, 1.0), axis=0).astype(np.float32)
    best = np.argwhere((fits > 0.0) & (fits >= cv2.dilate(fits, np.ones((3, 3), np.uint8))))
    best = best[np.argsort(-fits[tuple(best.T)], kind="stable")[:MOST_TRIED]]
    if not len(best):
        return NONE
    least = math.ceil(least_px / CELL_PX)
    shifts = CELL_PX * (best[:, ::-1] + np.array([-(fits.shape[1] // 2), least])).astype(np.float64)
    voting = ALIKE * strangers > costs[:, best[:, 0], best[:, 1]].T  # (K, T)
    pixels = _sought(picture, ground, sought_px)
    own = shown_at(picture, ground, pixels, np.zeros((1, 2)), np.ones((ground.count, 1)), 0.0)
    for _ in range(STEPS):
        shifts = shifts + found_again(picture, ground, pixels, own, shifts).step_px(voting)
    return _taken(shifts, found_again(picture, ground, pixels, own, shifts).costs(LEAST_SHARE), least_px)


def _sought(picture: Picture, ground: Ground, sought_px: tuple[float, float]) -> Pixels:
    """Places inside the side, a cell apart."""
    along, deep = np.meshgrid(
        np.arange(ground.stretches_px[0], ground.stretches_px[-1], CELL_PX), np.arange(*sought_px, CELL_PX)
    )
    clear = ground.is_clear(along, deep)
    return Pixels.at(picture, ground, along[clear], deep[clear])


def _taken(shifts: Floats, costs: Floats, least_px: float) -> Repeats:
    """Of shifts (K, 2), those that hold in each stretch, by their mean square differences `costs` (K, T) there."""
    apart = np.hypot(*(shifts[:, None] - shifts).transpose(2, 0, 1)) < APART_PX
    first = ~np.any(np.tril(apart, -1), axis=1) & (shifts[:, 1] > least_px)
    shifts, costs = shifts[first], costs[first]
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
    columns, rows = np.arange(-half + 0.0, half, 1.0), np.arange(0.0, DEEPEST_PX, 1.0)
    across, down = _between(rows, deep), _between(columns, along)
    x, y = (np.asarray(across @ nodes[..., k] @ down.T, np.float32) for k in (0, 1))
    light = cv2.remap(picture.scene.levels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cells = cv2.resize(light, None, fx=1.0 / CELL_PX, fy=1.0 / CELL_PX, interpolation=cv2.INTER_AREA)
    encoded = picture.encoder.nearest(np.asarray(cv2.transform(cells, BGR_OF_LEVELS.astype(np.float32)), np.float32))[0]
    middles = np.meshgrid(columns[::CELL_PX] + 0.5, rows[::CELL_PX] + 0.5)
    clear = ground.is_clear(*middles).astype(np.float32)
    encoded = encoded - encoded.mean(axis=(0, 1))
    ends = np.searchsorted(middles[0][0], ground.stretches_px).astype(np.int64)
    band = round(sought_px[0] / CELL_PX), round(sought_px[1] / CELL_PX)
    costs, strangers = [], []
    for left, right in pairwise(ends):
        own = encoded[band[0] : band[1], left:right][clear[band[0] : band[1], left:right] > 0]
        strangers.append(2.0 * float(own.var(axis=0).sum()) if len(own) else 1.0)
        costs.append(differences(encoded, clear, *band, int(left), int(right), math.ceil(least_px / CELL_PX)))
    return np.array(costs), np.maximum(np.array(strangers, np.float32), np.float32(1e-9))


def _between(places: Floats, nodes: Floats) -> Floats:
    """(N, K): shares of nodes, evenly apart, at places between them."""
    at = (places - nodes[0]) / (nodes[1] - nodes[0])
    return np.asarray(np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(len(nodes)))))


def differences(seen: Singles, clear: Singles, top: int, bottom: int, left: int, right: int, least: int) -> Singles:
    """(D, 2 C): mean square differences of a part of `seen` (R, C, 3) from what lies `least` + i rows further down.

    Column j is a shift by j - C columns. Only what is `clear` (R, C), 1 or 0, counts at both places; infinite where
    that is too little. A square of a difference is two squares less twice a product: each is a correlation.
    """
    rows, columns = clear.shape
    cost = np.full((max(rows - bottom - least + 1, 0), 2 * columns), np.float32(np.inf), np.float32)
    part = np.s_[top:bottom, left:right]
    if not cost.size or right <= left:
        return cost
    below = np.s_[top + least :]
    there, own = seen[below] * clear[below][..., None], seen[part] * clear[part][..., None]
    squares, own_squares = np.sum(there * there, axis=2), np.sum(own * own, axis=2)
    count, of_own, of_both, of_there = (
        cv2.matchTemplate(one, other, cv2.TM_CCORR)
        for one, other in (
            (clear[below], clear[part]),
            (clear[below], own_squares),
            (there, own),
            (squares, clear[part]),
        )
    )
    enough = count > max(LEAST_SHARE * float(clear[part].sum()), FEWEST_CELLS) - 0.5
    total = np.maximum(of_own - 2.0 * of_both + of_there, 0.0) / np.maximum(count, 1.0)
    cost[:, columns - left : 2 * columns - right + 1] = np.where(enough, total, np.inf)
    return cost
