"""The parts of a side along which its cloth is alike: from one seam to the next, and where a print shows no figure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.start.valley import WEAVE
from vision.medians import middle_of, runs_medians

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BIN_PX = 6.0
SMOOTH = 5  # bins whose median is a bin's level: a notch is narrower
INSIDE_PX = (-4.5, -1.8)  # across the line, where the cloth's level is taken;
MARGIN_PX = (-2.2, -1.4)  # of printed cloth: figures that lie deeper do not show at the edge, behind the lens' blur
MOST_STEP = 0.3  # of the contrast, from the bin before to the bin behind: a seam runs into the side there
# Of the contrast, a standard deviation: a figure is in the margin; of less a fiftieth shows where threads do.
MOST_VARIED = 0.2
FEWEST_BINS, FEWEST_PLAIN = 4, 8  # of a part; of a printed side's


@compiled
def parts_along(
    seen: Singles, bare: Singles, along: Floats, across: Floats, precision: Floats, sd: Floats, printed: bool
) -> Ints:
    """(N,): which part of its side each pixel is in, counted along the side; -1 of none.

    `seen` and `bare` (3, N) are encoded luma and colour differences, `along` px from the side's first pixel on,
    `across` px outward, `precision` and `sd` (3,) of the channels.
    """
    bins = int(along.max() / BIN_PX) + 1
    alike, seam = np.ones(bins, np.bool_), np.zeros(bins, np.bool_)
    if printed:
        alike = _without_figures(seen, bare, along, across, precision, sd, bins)
    level, contrast, mat = cloth_levels(seen, along, across, bins, printed), np.zeros(bins), np.zeros(3)
    for c in range(3):
        mat[c] = bare[c].mean()
    if level.size:
        for b in range(bins):
            for c in range(3):
                contrast[b] += precision[c] * (level[c, b] - mat[c]) ** 2
        for b in range(bins):
            low, high, step = max(b - 1, 0), min(b + 1, bins - 1), 0.0
            for c in range(3):
                step += precision[c] * (level[c, high] - level[c, low]) ** 2
            weave = precision[0] * (WEAVE * level[0, b]) ** 2
            seam[b] = step > max(MOST_STEP**2 * max(contrast[low], contrast[high]), weave)
    part, parts, first = np.full(bins, -1, np.int64), 0, 0
    least, rim = (FEWEST_PLAIN, 1) if printed else (FEWEST_BINS, 0)  # a figure next to a part reaches into it
    for b in range(bins + 1):
        if b < bins and alike[b] and not seam[b]:
            continue
        if b - first - 2 * rim >= least:
            part[first + rim : b - rim] = parts
            parts += 1
        first = b + 1
    found = np.empty(len(along), np.int64)
    for i in range(len(along)):
        found[i] = part[int(along[i] / BIN_PX)]
    return found


@compiled
def _without_figures(
    seen: Singles, bare: Singles, along: Floats, across: Floats, precision: Floats, sd: Floats, bins: int
) -> Bools:
    """(B,): whether a print's margin along a bin shows no figure, or hardly any beside what it differs from the mat."""
    count, level, square, step = np.zeros(bins), np.zeros((3, bins)), np.zeros((3, bins)), np.zeros((3, bins))
    for i in range(len(along)):
        if MARGIN_PX[0] < across[i] < MARGIN_PX[1]:
            own = int(along[i] / BIN_PX)
            count[own] += 1.0
            for c in range(3):
                level[c, own] += seen[c, i]
                square[c, own] += seen[c, i] ** 2
                step[c, own] += seen[c, i] - bare[c, i]
    alike = count > 1.0
    for b in range(bins):
        many, most, varied, contrast = max(count[b], 1.0), 0.0, 0.0, 0.0
        for c in range(3):
            variance = square[c, b] / many - (level[c, b] / many) ** 2
            usual = 3.0 * sd[c] + WEAVE * (level[0, b] / many if c == 0 else 0.5)
            most = max(most, variance / usual**2)
            varied += precision[c] * variance
            contrast += precision[c] * (step[c, b] / many) ** 2
        if most > 1.0 and varied > MOST_VARIED**2 * contrast:
            alike[b] = False
    return alike


@compiled
def cloth_levels(seen: Singles, along: Floats, across: Floats, bins: int, printed: bool) -> Floats:
    """(3, B) encoded levels of cloth along the side; empty where none is seen.

    Of printed cloth those of its ground: the middle of what its margin shows.
    """
    inner, outer = MARGIN_PX if printed else INSIDE_PX
    first = np.zeros(bins + 1, np.int64)
    for i in range(len(along)):
        if inner < across[i] < outer:
            first[int(along[i] / BIN_PX) + 1] += 1
    first = np.cumsum(first)
    if first[-1] == 0:
        return np.empty((3, 0))
    ordered, filled = np.empty((3, first[-1])), first[:-1].copy()
    for i in range(len(along)):
        if inner < across[i] < outer:
            own = int(along[i] / BIN_PX)
            for c in range(3):
                ordered[c, filled[own]] = seen[c, i]
            filled[own] += 1
    levels, before = np.zeros((3, bins)), -1
    for b in range(bins):
        many = first[b + 1] - first[b]
        if many == 0:
            continue
        for c in range(3):
            own_levels = ordered[c, first[b] : first[b + 1]]
            levels[c, b] = middle_of(own_levels, many) if printed else own_levels.mean()
            for gap in range(before + 1, b):
                share = (gap - before) / (b - before)
                levels[c, gap] = (
                    levels[c, b] if before < 0 else levels[c, before] * (1.0 - share) + levels[c, b] * share
                )
        before = b
    for c in range(3):
        for gap in range(before + 1, bins):
            levels[c, gap] = levels[c, before]
    return runs_medians(levels, SMOOTH)
