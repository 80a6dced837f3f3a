"""Notches and threads along sides: one loop over the pixels of all of them, side by side.

See `blemishes` for why what is told is told so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.sampling import rows_in_order, write_down
from vision.outlines.plainparts import MARGIN_PX, parts_along
from vision.outlines.rimshade import shade
from vision.outlines.wavering import EXCESS, PULL, STRETCH_PX, beyond_noise, excess_of, stretches_of, wavering

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

INSIDE_PX, OUTSIDE_PX = 8.0, 9.0  # so far from a side no other edge may lie
THREADS_MM = (0.2, 1.0)  # how far loose threads stand out (common practice, no source)
NOTCH_PX = (-6.0, 1.5)  # across the line
CLOTH_PX, MAT_PX = (-7.0, -3.0), (4.0, 8.0)  # that tell what varies without a blemish
EDGE_PX = (-2.5, 1.3)  # where the edge shows, were there no threads
PRINT_PX = -0.8  # farther inside of printed cloth its figures show, and no threads are looked for
LEAST_MAT_PX = 2.0
NOTCH_TREND, THREADS_TREND = 15, 7  # stretches: threads differ from one to the next, what is smoother is no thread
FEWEST = 12  # stretches that make a part of a side
NOISE_DOUBT = 0.4  # of the expected deviation: compression does more beside a step than on even ground
COLOUR_WEIGHT = 0.25  # compression writes one sample of colour for four pixels
SURELY_RAGGED = 3.3  # standard deviations: of 2000 clean sides one is beyond by chance
SURE = 6.0  # standard deviations of a notch: of thousands of stretches none may be one by chance
LEAST_MM = 0.3  # what is less is a ragged cut
LEAST_REACH_PX = 0.5  # of threads; what reaches out less is the cloth's own weave
CLOTH, MAT, NOTCH, EDGE, THREADS = range(5)  # bands across a side
FRAY, IS_NOTCH = 0.0, 1.0  # kinds of what is told


class Beside(NamedTuple):
    """S sides whose pixels are looked at, and how light is written down."""

    # (S, 7): bow and half the length in px, px per mm across and along, 1 beside printed cloth, and from where and up
    # to where along the side pixels count, in px from its middle; all 0 of a side that is not looked at.
    lines: Floats
    threads: Floats  # (S, 2, M): places across, and how much of a thread shows there
    noise_sd: Floats  # (3,) of encoded luma and colour differences
    linear: Floats  # (256,) light of encoded values,
    steps: Singles  # and these over the root of light


@compiled
def told_along(across_px: Floats, along_px: Floats, ends: Ints, seen: Singles, bare: Singles, beside: Beside) -> Floats:
    """(B, 5): what is told of sides, in their order: side, kind, where along it, how far outward and its u, in mm.

    Pixels lie `across_px` and `along_px` (N,) from their sides' middles, those of each from one of `ends` (S + 1,) to
    the next; `seen` (3, N) are encoded luma and colour differences, `bare` (3, N) the bare mat's linear blue green red.
    """
    precision = np.array([1.0, COLOUR_WEIGHT, COLOUR_WEIGHT]) / (beside.noise_sd * beside.noise_sd)
    found, many = np.empty((int(beside.lines[:, 1].sum()) + 2 * len(beside.lines), 5)), 0
    for s in range(len(beside.lines)):
        bow, half, scale, along_scale, print_there, start, end = beside.lines[s]
        printed = print_there > 0.0
        own, count = np.empty(ends[s + 1] - ends[s], np.int64), 0
        deepest = MARGIN_PX[0] if printed else CLOTH_PX[0]
        for i in range(ends[s], ends[s + 1]):
            if deepest < across_px[i] < OUTSIDE_PX and start < along_px[i] < end:
                own[count] = i
                count += 1
        if count < FEWEST:
            continue
        own = own[:count].copy()
        along, shown, mat = along_px[own], rows_in_order(seen, own), rows_in_order(bare, own)
        across = across_px[own] - bow * (1.0 / 3.0 - (along / half) ** 2)
        shade(mat, shown, across, beside.linear)
        write_down(mat, beside.steps)
        first = along.min()
        part_of = parts_along(shown, mat, along - first, across, precision, beside.noise_sd, printed)
        for part in range(part_of.max() + 1):
            here = np.flatnonzero(part_of == part)
            near, off = along[here], across[here]
            low = near.min()
            near -= low
            cloth, bed = shown, mat
            if len(here) < count:
                cloth, bed = rows_in_order(shown, here), rows_in_order(mat, here)
            excess, variance = excess_of(cloth, bed, near, off, precision, printed)
            if len(excess):
                sums = stretches_of(excess, variance, near, off, _bands(scale, printed), beside.threads[s])
                first_mm, step_mm = (low + half) / along_scale, STRETCH_PX / along_scale
                many = _told_of(sums, s, scale, first_mm, step_mm, printed, found, many)
    return found[:many].copy()


@compiled
def _bands(scale: float, printed: bool) -> Floats:
    """(5, 2) px across the line: plain cloth, bare mat, where a notch shows, where threads do, and that again.

    In the last, pixels count for what threads show there; of a print without its figures. `scale` is in px per mm.
    """
    far = max(MAT_PX[0], min(THREADS_MM[1] * scale + 2.3, OUTSIDE_PX - LEAST_MAT_PX))
    farther = max(MAT_PX[1], min(far + MAT_PX[1] - MAT_PX[0], OUTSIDE_PX))
    threads = EDGE_PX[0], EDGE_PX[1] + THREADS_MM[1] * scale
    without_figures = (PRINT_PX if printed else EDGE_PX[0], threads[1])
    return np.array([CLOTH_PX, (far, farther), NOTCH_PX, threads, without_figures])


@compiled
def _told_of(
    sums: Floats, side: int, scale: float, first_mm: float, step_mm: float, printed: bool, found: Floats, many: int
) -> int:
    """Add what `stretches_of` a part of a side tell to the `many` that are `found`; how many these are then.

    `scale` is in px per mm across the side; stretches are `step_mm` long from `first_mm` on.
    """
    ragged, expected = sums[THREADS, EXCESS], sums[THREADS, EXCESS]
    for band, trend in ((NOTCH, NOTCH_TREND), (THREADS, THREADS_TREND)):  # in a loop, or it is compiled twice
        noise = np.empty(2)
        for k, even in enumerate((MAT if printed else CLOTH, MAT)):  # figures say nothing of what plain cloth varies
            noise[k] = beyond_noise(sums[even], trend, FEWEST)
        if not math.isfinite(noise.sum()):
            return many
        ragged, expected = wavering(sums[band], noise[0], noise[1], trend, FEWEST)
        if band == NOTCH and not printed:  # a figure in the mat's colour looks like a notch
            many = _notches(ragged, expected, side, scale, first_mm, step_mm, found, many)
    count, square, total, pull = 0, 0.0, 0.0, 0.0
    for k in range(len(ragged)):
        if ragged[k] == ragged[k]:  # what is little seen is NaN
            times = min(abs(ragged[k] / expected[k]), SURE)  # a notch is told for itself
            count, square = count + 1, square + times * times
            total += ragged[k] * sums[EDGE, EXCESS, k]
            pull += ragged[k] * sums[EDGE, PULL, k]
    if count < FEWEST:
        return many
    square /= count
    doubt = math.hypot(square * math.sqrt(2.0 / count), 2.0 * NOISE_DOUBT)
    times = (square - 1.0) / doubt
    # A thread is as much cloth at its tip as at its root: it reaches, typically, twice as far as its centroid.
    reach_px = min(2.0 * pull / max(total, 1e-9), 2.0 * (EDGE_PX[1] + THREADS_MM[1] * scale))
    if times > SURELY_RAGGED and reach_px > LEAST_REACH_PX:
        found[many, 0], found[many, 1], found[many, 2] = side, FRAY, first_mm + step_mm * len(ragged) / 2.0
        found[many, 3], found[many, 4] = reach_px / scale, reach_px / scale / times
        many += 1
    return many


@compiled
def _notches(
    deep: Floats, expected: Floats, side: int, scale: float, first_mm: float, step_mm: float, found: Floats, many: int
) -> int:
    """Each run of stretches that lie far inward is one notch, as deep as its deepest; all of the run speaks for it."""
    k = 0
    while k < len(deep):
        first, deepest, likely = k, 0.0, 0.0
        while k < len(deep) and deep[k] < min(-2.0 * (1.0 + NOISE_DOUBT) * expected[k], -LEAST_MM * scale / 2.0):
            deepest, likely = min(deepest, deep[k]), likely + deep[k] / ((1.0 + NOISE_DOUBT) * expected[k])
            k += 1
        if k > first:
            value_mm, sure = deepest / scale, -likely / math.sqrt(k - first)
            if sure > SURE and value_mm < -LEAST_MM:
                found[many, 0], found[many, 1] = side, IS_NOTCH
                found[many, 2] = first_mm + (0.5 * (first + k - 1) + 0.5) * step_mm
                found[many, 3], found[many, 4] = value_mm, -value_mm / sure
                many += 1
        k += 1
    return many
