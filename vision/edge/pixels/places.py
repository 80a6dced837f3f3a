"""Which pixels lie about straight lines on the mat, and where in the lines' own axes: loops over rows of pixels.

The pixels about a line are walked in pieces of rows of the picture, or of columns where the line lies flat, each as
long as the band is wide. So short a row of any lens is a parabola, to less than a thousandth of a pixel: what its
first, middle and last pixel are known to show tells all others.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Numbers = NDArray[np.uint16]

MOST_ASLANT = 2.0  # a row's length over the band's width
KNOWN = 3  # pixels of each row


class Places(NamedTuple):
    """The pixels about S sides, in the order of their sides."""

    side: Ints  # (N,)
    x: Ints  # (N,) px
    y: Ints
    points_mat_mm: Floats  # (N, 2)
    across_px: Floats  # (N,) outward of the side's line
    along_px: Floats  # (N,) from its middle


@compiled
def rows_about(lines_px: Floats, widest_px: float) -> tuple[Ints, Ints]:
    """The rows about S lines (S, K, 2), up to `widest_px` to either side and somewhat farther.

    Rows (T, 4): the number of the line, x and y of the middle pixel, and pixels to either side of it; and for each line
    (S,) the axis along which the rows follow each other: its rows are pieces of the other.
    """
    many = 0
    axes, first, last = np.empty((3, len(lines_px)), np.int64)
    for s in range(len(lines_px)):
        line = lines_px[s]
        left, right, low, high = line[0, 0], line[0, 0], line[0, 1], line[0, 1]
        for k in range(len(line)):
            left, right = min(left, line[k, 0]), max(right, line[k, 0])
            low, high = min(low, line[k, 1]), max(high, line[k, 1])
        axes[s] = 1 if high - low > right - left else 0
        first[s], last[s] = math.ceil(low if axes[s] else left), math.floor(high if axes[s] else right)
        many += max(0, last[s] - first[s] + 1)
    rows, row = np.empty((many, 4), np.int64), 0
    for s in range(len(lines_px)):
        axis = axes[s]
        line = lines_px[s].copy()
        for k in range(1, len(line)):  # sorted as it is filled
            x, y, own, before = line[k, 0], line[k, 1], line[k, axis], k
            while before > 0 and line[before - 1, axis] > own:
                line[before, 0], line[before, 1] = line[before - 1, 0], line[before - 1, 1]
                before -= 1
            line[before, 0], line[before, 1] = x, y
        aslant = 0.0
        for k in range(len(line) - 1):
            across, up = abs(line[k + 1, 0] - line[k, 0]), abs(line[k + 1, 1] - line[k, 1])
            aslant = max(aslant, math.hypot(across, up) / max(up if axis else across, 1e-9))
        reach, k = math.ceil(widest_px * min(aslant, MOST_ASLANT)) + 1, 0
        for place in range(first[s], last[s] + 1):
            while k < len(line) - 2 and line[k + 1, axis] < place:
                k += 1
            share = (place - line[k, axis]) / max(line[k + 1, axis] - line[k, axis], 1e-9)
            other = line[k, 1 - axis] + share * (line[k + 1, 1 - axis] - line[k, 1 - axis])
            rows[row, 0], rows[row, 3] = s, reach
            rows[row, 1 + axis], rows[row, 2 - axis] = place, round(other)
            row += 1
    return rows, axes


@compiled
def pixels_in(
    rows: Ints,
    axes: Ints,
    known: Floats,
    limits_px: Floats,
    size_px: tuple[int, int],
    highest: Numbers,
    lowest: Numbers,
    own_cloth: Ints,
) -> Places:
    """The pixels of rows that lie within `limits_px` (S, 4): least and greatest distance across and along their lines.

    `known` (T, 3, 4) are x and y on the mat and the distances across and along at each row's first, middle and last
    pixel. Left out are pixels at the picture's rim and, where `highest` and `lowest` (H, W) tell of the cloths nearby,
    those near other cloth than the line's `own_cloth` (S,); both are empty where nothing is known of it.
    """
    most, many = 0, 0
    for row in range(len(rows)):
        most += 2 * rows[row, 3] + 1
    side, xs, ys = np.empty((3, most), np.int64)
    points, (acrosses, alongs) = np.empty((most, 2)), np.empty((2, most))
    for row in range(len(rows)):
        s, reach = rows[row, 0], rows[row, 3]
        for k in range(-reach, reach + 1):
            x, y = rows[row, 1] + (k if axes[s] == 1 else 0), rows[row, 2] + (k if axes[s] == 0 else 0)
            if x < 1 or y < 1 or x >= size_px[0] - 1 or y >= size_px[1] - 1:
                continue
            t = k / reach
            before, here, after = t * (t - 1.0) / 2.0, 1.0 - t * t, t * (t + 1.0) / 2.0
            across = before * known[row, 0, 2] + here * known[row, 1, 2] + after * known[row, 2, 2]
            along = before * known[row, 0, 3] + here * known[row, 1, 3] + after * known[row, 2, 3]
            if not (limits_px[s, 0] < across < limits_px[s, 1] and limits_px[s, 2] < along < limits_px[s, 3]):
                continue
            if highest.size and not _is_free(highest[y, x], lowest[y, x], own_cloth[s]):
                continue
            side[many], xs[many], ys[many], acrosses[many], alongs[many] = s, x, y, across, along
            for c in range(2):
                points[many, c] = before * known[row, 0, c] + here * known[row, 1, c] + after * known[row, 2, c]
            many += 1
    return Places(side[:many], xs[:many], ys[:many], points[:many], acrosses[:many], alongs[:many])


@compiled
def _is_free(highest: int, lowest: int, own: int) -> bool:
    """Whether the cloths near a pixel, counted from 1, are none but this one."""
    return (highest == 0 or highest == own) and (lowest == 65535 or lowest == own)
