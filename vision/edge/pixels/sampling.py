"""What pixels about sides show, where they lie in the sides' axes and in which bins: loops over all of them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.encoding import YCC_OF_BGR
from vision.edge.pixels.places import Places
from vision.light import BGR_OF_LEVELS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LINE = 4.0  # standard deviations that a pixel of the mat differs from those beside it: it is drawn so
TO_BGR, TO_YCC = BGR_OF_LEVELS.astype(np.float32), YCC_OF_BGR.astype(np.float32)
ZERO, QUARTER, HALF, ONE, LEAST = (np.float32(one) for one in (0.0, 0.25, 0.5, 1.0, 1e-9))
NEXT = np.uint64(3)  # levels on lies the next pixel


@compiled
def looked_at(
    at: Places,
    order: Ints,
    seen_levels: Singles,
    mat_levels: Singles,
    outward_px: Singles,
    noise: float,
    steps: Singles,
) -> tuple[Ints, Floats, Floats, Floats, Singles, Singles, Singles, Singles]:
    """Pixels `at` places, in the `order` (N,) given: their sides, points, places across and along, and what is seen.

    That is, (3, N) each, the encoded luma and colour differences, and the bare mat's linear blue green red, its slope
    outward of the pixels' sides, and it made steady: without its pixels' own noise but with its lines. What a pixel
    differs by from the mean of those beside it is its `noise`, unless it is more than noise would be. Pictures
    (H, W, 3) are levels, the first of which is luma; `steps` the encoder's values over the root of light.
    """
    many = len(order)
    side, points, (across, along) = np.empty(many, np.int64), np.empty((many, 2)), np.empty((2, many))
    seen, mat = np.empty((3, many), np.float32), np.empty((3, 3, many), np.float32)
    flat, lit, row = mat_levels.reshape(-1), seen_levels.reshape(-1), NEXT * np.uint64(mat_levels.shape[1])
    for i in range(many):
        k = order[i]
        s = at.side[k]
        side[i], across[i], along[i] = s, at.across_px[k], at.along_px[k]
        points[i, 0], points[i, 1] = at.points_mat_mm[k, 0], at.points_mat_mm[k, 1]
        pixel = row * np.uint64(at.y[k]) + NEXT * np.uint64(at.x[k])  # so without asking whether it lies within
        for c in range(3):
            own = pixel + np.uint64(c)
            right, left, below, above = flat[own + NEXT], flat[own - NEXT], flat[own + row], flat[own - row]
            seen[c, i], mat[0, c, i], mat[2, c, i] = lit[own], flat[own], (right + left + below + above) * QUARTER
            mat[1, c, i] = (right - left) * (outward_px[s, 0] * HALF) + (below - above) * (outward_px[s, 1] * HALF)
    (luma, red, blue), (steady_luma, steady_red, steady_blue), most = mat[0], mat[2], np.float32(LINE * noise)
    for i in range(many):
        drawn = max(ZERO, ONE - most / max(abs(luma[i] - steady_luma[i]), LEAST))
        steady_luma[i] += drawn * (luma[i] - steady_luma[i])
        steady_red[i] += drawn * (red[i] - steady_red[i])
        steady_blue[i] += drawn * (blue[i] - steady_blue[i])
    for one in range(3):
        _mix(mat[one], TO_BGR)
    _mix(seen, TO_BGR)
    write_down(seen, steps)
    return side, points, across, along, seen, mat[0], mat[1], mat[2]


@compiled
def write_down(light: Singles, steps: Singles) -> None:
    """Linear blue green red (3, N) become encoded luma and colour differences; `steps` are the encoder's values."""
    last = np.float32(len(steps) - 1)
    for c in range(3):
        channel = light[c]
        for i in range(len(channel)):
            channel[i] = steps[np.int32(np.sqrt(max(ZERO, min(channel[i], ONE))) * last + HALF)]
    _mix(light, TO_YCC)


@compiled
def _mix(channels: Singles, by: Singles) -> None:
    """(3, N) become `by` (3, 3) times them."""
    a, b, c = channels
    for i in range(len(a)):
        one, two, three = a[i], b[i], c[i]
        a[i] = by[0, 0] * one + by[0, 1] * two + by[0, 2] * three
        b[i] = by[1, 0] * one + by[1, 1] * two + by[1, 2] * three
        c[i] = by[2, 0] * one + by[2, 1] * two + by[2, 2] * three


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
def in_reach(across_px: Floats, along_px: Floats, side: Ints, lines: Floats, outside_px: float, every: Ints) -> Bools:
    """(N,): which pixels lie beside sides' lines, up to `outside_px` outward of them, in one of `every` (S,) rows.

    `lines` (S, 6) are the lines' offset and bow, how far along it the bow is seen, how far out pixels begin, and where
    along the side they begin and end. A row is a pixel wide and runs across the side.
    """
    result = np.empty(len(side), np.bool_)
    for i in range(len(side)):
        offset, bow, reach, inner, start, end = lines[side[i]]
        e = across_px[i] - offset - bow * (1.0 / 3.0 - (along_px[i] / reach) ** 2)
        result[i] = inner < e < outside_px and start <= along_px[i] <= end
        result[i] &= math.floor(along_px[i]) % every[side[i]] == 0
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
