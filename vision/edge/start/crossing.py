"""How luma runs across one straight part of a rim: loops over its pixels, for `profiles`.

The pixels are rows across the part, T of them, each R pixels long and one after the other along the rim.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.robust import MAD_TO_SD
from vision.compiled import compiled
from vision.edge.model.encoding import encoded_at
from vision.medians import middle_of
from vision.parabola import parabola

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]

BIN_PX, FIRST_PX, LAST_PX = 0.25, -9.0, 0.75  # outward; farther out shadows lie
BINS = round((LAST_PX - FIRST_PX) / BIN_PX)
INSIDE_PX, OUTSIDE_PX = 11.0, 4.0  # what is looked at
LEAST_PX = 30  # of a part's length
LEAST_STEP = 0.08  # of luma, that an edge stands out by
OUTLYING = 3.5  # standard deviations, of a crossing off its line or of the bare mat off its median
PRINTED, PRINTED_OVER = 0.04, 1.5  # of the step, and of what neighbouring pixels differ
FEWEST = 6  # pixels in a bin
LEAST_VARIANCE = (1.0 / 255.0) ** 2 / 12.0  # of a pixel: what is written in 8 bits is rounded, also where all are alike
FLAT_PX = -4.5  # farther inside, cloth is level whatever the camera does at its edge
ROWS = 30  # of which medians are taken: some five hundred pixels tell a level to a tenth of their noise


@compiled
def crossing_of(
    picture: Floats32, mats: Floats32, part: Floats, most_px: int, bgr_of: Floats, luma_of: Floats, steps: Floats32
) -> Floats:
    """(2 K + 6,): luma in `BINS` outward of a part's line, its variance, the levels of the cloth and of the mat.

    `picture` and `mats` (H, W, 3) are levels of what is seen and of the bare mat, which `bgr_of` maps to linear blue
    green red; `steps` are encoded values over the root of that, `luma_of` their weights in luma. The `part`, two ends
    (2, 2) in px with cloth on the right as one looks along it with y down, is looked at on `most_px` pixels. Empty
    where no edge of a plain fabric stands out.
    """
    height, width = picture.shape[:2]
    way = part[1] - part[0]
    major = 1 if abs(way[1]) > abs(way[0]) else 0
    slope, outward = way[1 - major] / way[major], 1 if (way[1] if major else -way[0]) > 0 else -1
    stretch = math.hypot(1.0, slope)
    start = part[0] if way[major] > 0 else part[1]
    first, middle = math.ceil(start[major]), math.ceil(INSIDE_PX * stretch)
    rows = min(math.floor(start[major] + abs(way[major])) - first + 1, most_px)
    reach, inside = middle + math.ceil(OUTSIDE_PX * stretch) + 1, middle + math.ceil(FLAT_PX * stretch)
    if rows < LEAST_PX:
        return np.empty(0)
    seen, luma, outward_px = np.empty((rows, reach, 3)), np.empty((rows, reach)), np.empty((rows, reach), np.int64)
    beside = np.empty((rows, reach, 3))
    for t in range(rows):
        place = np.array([first + t, 0])
        line = round(start[1 - major] + slope * (first + t - start[major]))
        for r in range(reach):
            place[1] = line + outward * (r - middle)
            x, y = place[1] if major else place[0], place[0] if major else place[1]
            if x < 0 or y < 0 or x >= width or y >= height:
                return np.empty(0)
            outward_px[t, r], luma[t, r] = outward * place[1], 0.0
            for c in range(3):
                seen[t, r, c] = encoded_at(picture[y, x], bgr_of[c], steps)
                luma[t, r] += luma_of[c] * seen[t, r, c]
                beside[t, r, c] = mats[y, x, c]
    found = np.zeros(2 * BINS + 6)
    mat, levels = found[2 * BINS + 3 :], np.zeros(2)
    room, ground, every = np.empty(rows * reach), np.empty(3), max(1, rows // ROWS)
    for c in range(3):
        ground[c] = _middle(beside[::every], c, reach, room)
    for c in range(3):
        mat[c] = encoded_at(ground, bgr_of[c], steps)
        levels[0] += luma_of[c] * _middle(seen[::every], c, inside, room)
        levels[1] += luma_of[c] * mat[c]
    step = levels[0] - levels[1]
    if abs(step) < LEAST_STEP or _is_printed(luma, inside, step):
        return np.empty(0)
    across = _across(luma, outward_px, middle, levels)
    if across.size == 0:
        return np.empty(0)
    for t in range(rows):
        for r in range(reach):
            beside[t, r, 0] = abs(beside[t, r, 0] - ground[0])
    most = OUTLYING * MAD_TO_SD * _middle(beside[::every], 0, reach, room) + 1.0 / 255.0  # more is a grid line
    count = np.zeros(BINS)
    mean, square = found[:BINS], found[BINS : 2 * BINS]
    flat, many = np.empty((3, rows * reach)), 0
    for t in range(rows):
        for r in range(reach):
            if not FIRST_PX < across[t, r] < LAST_PX:
                continue
            if across[t, r] < FLAT_PX and t % every == 0:
                for c in range(3):
                    flat[c, many] = seen[t, r, c]
                many += 1
            if beside[t, r, 0] <= most:
                bin_ = int((across[t, r] - FIRST_PX) / BIN_PX)
                off = luma[t, r] - levels[0]  # or little would be left of the squares' digits
                count[bin_] += 1.0
                mean[bin_] += off
                square[bin_] += off * off
    for k in range(BINS):
        if count[k] < FEWEST:
            return np.empty(0)
        mean[k] /= count[k]
        square[k] = max(square[k] / count[k] - mean[k] ** 2, LEAST_VARIANCE) / (count[k] - 1.0)
        mean[k] += levels[0]
    for c in range(3):
        found[2 * BINS + c] = middle_of(flat[c], many)
    return found


@compiled
def _middle(values: Floats, c: int, inside: int, room: Floats) -> float:
    """The median of channel `c` of rows (T, R, 3) up to the pixel `inside`."""
    many = 0
    for t in range(len(values)):
        for r in range(inside):
            room[many] = values[t, r, c]
            many += 1
    return middle_of(room, many)


@compiled
def _is_printed(luma: Floats, inside: int, step: float) -> bool:
    """Whether cloth, rows (T, R) up to `inside`, varies beside an edge of that step by more than noise and weave do.

    These change at once.
    """
    spread, at_once = _spread(luma, 0, inside), _spread(luma, 1, inside) / math.sqrt(2.0)
    return bool(spread > PRINTED * abs(step) and spread > PRINTED_OVER * at_once)


@compiled
def _spread(luma: Floats, apart: int, inside: int) -> float:
    """The standard deviation of rows (T, R) up to `inside`, or of what rows so far `apart` differ by."""
    many, whole, square = (len(luma) - apart) * inside, 0.0, 0.0
    for mean in (False, True):
        for t in range(apart, len(luma)):
            for r in range(inside):
                value = luma[t, r] - (luma[t - apart, r] if apart else 0.0)
                if mean:
                    square += (value - whole / many) ** 2
                else:
                    whole += value
    return math.sqrt(square / many)


@compiled
def _across(luma: Floats, outward_px: Ints, middle: int, levels: Floats) -> Floats:
    """(T, R) distance outward from the line (bowed a little) where rows (T, R) cross half way between two levels.

    Empty where too few do.
    """
    rows, reach = luma.shape
    half = (levels[0] + levels[1]) / 2.0
    rising = 1.0 if levels[0] > levels[1] else -1.0  # from the mat to the cloth
    at, place, many = np.empty(rows), np.empty(rows), 0
    for t in range(rows):
        nearest = middle + reach
        for r in range(reach - 1):
            crosses = rising * (luma[t, r] - half) >= 0.0 and rising * (luma[t, r + 1] - half) < 0.0
            if crosses and abs(r - middle) < abs(nearest - middle):
                nearest = r
        if nearest < reach:
            a, b = luma[t, nearest] - half, luma[t, nearest + 1] - half
            place[many] = outward_px[t, nearest] + a / (a - b)
            at[many] = -1.0 + 2.0 * t / max(rows - 1, 1)
            many += 1
    if many < LEAST_PX:
        return np.empty((0, 0))
    weight, off, order, line = np.ones(many), np.empty(many), np.empty(many), np.zeros(3)
    for _ in range(3):
        line, kept = parabola(at[:many], place[:many], weight), 0
        for i in range(many):
            off[i] = place[i] - (line[0] + line[1] * at[i] + line[2] * at[i] * at[i])
            if weight[i] > 0.0:
                order[kept] = off[i]
                kept += 1
        own = middle_of(order, kept)
        for i in range(kept):
            order[i] = abs(order[i] - own)
        spread, kept = MAD_TO_SD * middle_of(order, kept) + 1e-3, 0
        for i in range(many):
            weight[i] = 1.0 if abs(off[i] - own) < OUTLYING * spread else 0.0
            kept += weight[i] > 0.0
        if kept < LEAST_PX:
            return np.empty((0, 0))
    across = np.empty((rows, reach))
    for t in range(rows):
        u = -1.0 + 2.0 * t / (rows - 1)
        tilt = (line[1] + 2.0 * line[2] * u) * 2.0 / (rows - 1)
        here, per_px = line[0] + line[1] * u + line[2] * u * u, 1.0 / math.hypot(1.0, tilt)
        for r in range(reach):
            across[t, r] = (outward_px[t, r] - here) * per_px
    return across
