"""What pixels about sides show, where they lie in the sides' axes and in which bins: loops over all of them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.light import BGR_OF_LEVELS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LINE = 4.0  # standard deviations that a pixel of the mat differs from those beside it: it is drawn so
TO_BGR, QUARTER = BGR_OF_LEVELS.astype(np.float32), np.float32(0.25)


@compiled
def mat_at(
    levels: Singles, x: Ints, y: Ints, side: Ints, outward_px: Floats, noise: float
) -> tuple[Singles, Singles, Singles]:
    """(3, N) each: the bare mat's linear blue green red, its slope outward of the pixels' sides, and it made steady.

    Steady is the mat without its pixels' own noise, but with its lines: what a pixel differs by from the mean of those
    beside it is its noise, unless it is more than noise would be.
    """
    bare, slope, steady = np.empty((3, 3, len(x)), np.float32)
    flat, row, here = levels.reshape(-1), 3 * levels.shape[1], np.empty((3, 3), np.float32)
    for i in range(len(x)):
        at = row * y[i] + 3 * x[i]  # so without asking whether places lie within
        across, down = np.float32(outward_px[side[i], 0] / 2.0), np.float32(outward_px[side[i], 1] / 2.0)
        for k in range(3):
            right, left, below, above = flat[at + 3 + k], flat[at - 3 + k], flat[at + row + k], flat[at - row + k]
            here[0, k], here[1, k] = flat[at + k], (right - left) * across + (below - above) * down
            here[2, k] = (right + left + below + above) * QUARTER
        # Their first level is luma.
        more = np.float32(max(0.0, 1.0 - LINE * noise / max(abs(here[0, 0] - here[2, 0]), 1e-9)))
        for k in range(3):
            here[2, k] += more * (here[0, k] - here[2, k])
        for c in range(3):
            of = TO_BGR[c]
            bare[c, i] = of[0] * here[0, 0] + of[1] * here[0, 1] + of[2] * here[0, 2]
            slope[c, i] = of[0] * here[1, 0] + of[1] * here[1, 1] + of[2] * here[1, 2]
            steady[c, i] = of[0] * here[2, 0] + of[1] * here[2, 1] + of[2] * here[2, 2]
    return bare, slope, steady


@compiled
def placed_beside(
    points_mat_mm: Floats,
    side: Ints,
    middles_mat_mm: Floats,
    along: Floats,
    lengths_mm: Floats,
    px_per_mm: Floats,
    along_px_per_mm: Floats,
) -> tuple[Floats, Floats]:
    """(N,) each: px across and along, of points (N, 2) beside the sides `side` (N,); all else as in `Axes`."""
    across_px, along_px = np.empty(len(side)), np.empty(len(side))
    for i in range(len(side)):
        s = side[i]
        x, y = points_mat_mm[i, 0] - middles_mat_mm[s, 0], points_mat_mm[i, 1] - middles_mat_mm[s, 1]
        ahead_mm, out_mm = x * along[s, 0] + y * along[s, 1], x * along[s, 1] - y * along[s, 0]
        share = ahead_mm / lengths_mm[s] + 0.5
        across_px[i] = out_mm * (px_per_mm[s, 0] + share * (px_per_mm[s, 1] - px_per_mm[s, 0]))
        along_px[i] = ahead_mm * along_px_per_mm[s]
    return across_px, along_px


@compiled
def in_reach(across_px: Floats, along_px: Floats, side: Ints, lines: Floats, outside_px: float) -> Bools:
    """(N,): which pixels lie beside sides' lines, up to `outside_px` outward of them.

    `lines` (S, 6) are the lines' offset and bow, how far along it the bow is seen, how far out pixels begin, and where
    along the side they begin and end.
    """
    result = np.empty(len(side), np.bool_)
    for i in range(len(side)):
        offset, bow, reach, inner, start, end = lines[side[i]]
        e = across_px[i] - offset - bow * (1.0 / 3.0 - (along_px[i] / reach) ** 2)
        result[i] = inner < e < outside_px and start <= along_px[i] <= end
    return result


@compiled
def in_bins(side: Ints, along_px: Floats, use: Bools, bins_px: Floats) -> tuple[Ints, Ints, Ints]:
    """Pixels that are of `use` in the order of their sides and bins: (M,) which; of each bin (B + 1,) the first, and
    the end, and (B,) its side.

    `side` (N,) must not decrease; `bins_px` (S,) are the bins of each side.
    """
    order, many = np.empty(len(side), np.int64), 0
    starts, sides, bins = np.empty(len(side) + 1, np.int64), np.empty(len(side), np.int64), 0
    first = 0
    for s in range(len(bins_px)):
        bin_px = bins_px[s]
        last, low, high = first, 1 << 30, -(1 << 30)
        while last < len(side) and side[last] == s:
            place = math.floor(along_px[last] / bin_px)
            if use[last]:
                low, high = min(low, place), max(high, place)
            last += 1
        if high >= low:
            next_one = np.zeros(high - low + 2, np.int64)
            for i in range(first, last):
                if use[i]:
                    next_one[math.floor(along_px[i] / bin_px) - low + 1] += 1
            for b in range(high - low + 1):
                if next_one[b + 1] > 0:
                    starts[bins], sides[bins] = many + next_one[b], s
                    bins += 1
                next_one[b + 1] += next_one[b]
            for i in range(first, last):
                if use[i]:
                    b = math.floor(along_px[i] / bin_px) - low
                    order[many + next_one[b]] = i
                    next_one[b] += 1
            many += next_one[high - low]
        first = last
    starts[bins] = many
    return order[:many], starts[: bins + 1], sides[:bins]


@compiled
def rows_in_order(rows: Singles, order: Ints) -> Singles:
    """(R, M) of rows (R, N), at `order` (M,)."""
    result = np.empty((len(rows), len(order)), np.float32)
    for r in range(len(rows)):
        for i in range(len(order)):
            result[r, i] = rows[r, order[i]]
    return result
