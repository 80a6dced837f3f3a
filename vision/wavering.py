"""How far cloth reaches beyond the middle of its own side, stretch by stretch along it: loops over the side's pixels.

See `blemishes` for what is told from it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.medians import middle_of, runs_medians

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

INSIDE_PX = (-4.5, -1.8)  # across the line, where the cloth's level is taken
BIN_PX, STRETCH_PX, PROFILE_PX = 6.0, 2.0, 0.25
SMOOTH = 5  # bins whose median is a bin's level: a notch is narrower
FEWEST_BINS = 4
MOST_STEP = 0.15  # of the contrast from bin to bin: beyond, a seam runs into the side there
TREND = 15  # stretches: what is wider is the side's shape, not a blemish
LEAST_WEIGHT = 0.25  # of what is usual there: a grid line may have the cloth's colour
COUNT, EXCESS, PULL, INNER, OUTER = range(5)  # what is summed over a band of each stretch


@compiled
def excess_of(seen: Floats, bare: Floats, along: Floats, across: Floats, precision: Floats) -> tuple[Floats, Floats]:
    """(2, N) how much more cloth pixels show than others at their distance from a side, and its variance by noise.

    `seen` and `bare` (N, 3) are encoded luma and colour differences, `along` px from the side's first pixel on,
    `across` px outward, `precision` (3,) of the channels. Where a seam is near, or the mat has the cloth's colour,
    the variance is negative; no pixels at all come back where the cloth's level is not seen.
    """
    many, bins = len(along), int(along.max() / BIN_PX) + 1
    levels = _cloth_levels(seen, along, across, bins)
    if bins < FEWEST_BINS or levels.size == 0:
        return np.empty(0), np.empty(0)
    share, weight = np.empty(many), np.empty(many)
    for i in range(many):
        own, all_of_it, shown = int(along[i] / BIN_PX), 0.0, 0.0
        for c in range(3):
            step = levels[c, own] - bare[i, c]
            all_of_it += precision[c] * step * step
            shown += precision[c] * step * (seen[i, c] - bare[i, c])
        weight[i], share[i] = all_of_it, shown
    usual = _usual_weights(weight, along, bins)
    change = np.zeros(bins)
    for b in range(bins):
        low, high = max(b - 1, 0), min(b + 1, bins - 1)
        for c in range(3):
            change[b] += precision[c] * ((levels[c, high] - levels[c, low]) / (high - low)) ** 2
    for i in range(many):
        share[i] /= max(weight[i], 1e-3)
    middle = _middle_share(across, share)
    for i in range(many):
        share[i] -= middle[i]
        own = int(along[i] / BIN_PX)
        told = weight[i] > max(LEAST_WEIGHT * usual[own], 1.0) and change[own] < MOST_STEP**2 * weight[i]
        weight[i] = 1.0 / weight[i] if told else -1.0
    return share, weight


@compiled
def _usual_weights(weight: Floats, along: Floats, bins: int) -> Floats:
    """(B,) the weight of pixels along the side: of two fabrics one may hardly differ from the mat."""
    count, total = np.zeros(bins), np.zeros((1, bins))
    for i in range(len(along)):
        own = int(along[i] / BIN_PX)
        count[own] += 1.0
        total[0, own] += weight[i]
    usual: Floats = runs_medians(total / np.maximum(count, 1.0), SMOOTH)[0]
    return usual


@compiled
def _cloth_levels(seen: Floats, along: Floats, across: Floats, bins: int) -> Floats:
    """(3, B) encoded levels of cloth along the side; empty where none is seen."""
    count, levels = np.zeros(bins), np.zeros((3, bins))
    for i in range(len(along)):
        if INSIDE_PX[0] < across[i] < INSIDE_PX[1]:
            own = int(along[i] / BIN_PX)
            count[own] += 1.0
            for c in range(3):
                levels[c, own] += seen[i, c]
    before = -1
    for b in range(bins):
        if count[b] == 0.0:
            continue
        for c in range(3):
            levels[c, b] /= count[b]
            for gap in range(before + 1, b):
                share = (gap - before) / (b - before)
                levels[c, gap] = (
                    levels[c, b] if before < 0 else levels[c, before] * (1.0 - share) + levels[c, b] * share
                )
        before = b
    if before < 0:
        return np.empty((3, 0))
    for c in range(3):
        for gap in range(before + 1, bins):
            levels[c, gap] = levels[c, before]
    return runs_medians(levels, SMOOTH)


@compiled
def _middle_share(across: Floats, share: Floats) -> Floats:
    """(N,): the median share at each pixel's distance from the line."""
    low = across.min()
    places = int((across.max() - low) / PROFILE_PX) + 1
    first, at = np.zeros(places + 1, np.int64), np.zeros(places)
    for i in range(len(across)):
        place = int((across[i] - low) / PROFILE_PX)
        first[place + 1] += 1
        at[place] += across[i]
    first = np.cumsum(first)
    ordered, filled = np.empty(len(across)), first[:-1].copy()
    for i in range(len(across)):
        place = int((across[i] - low) / PROFILE_PX)
        ordered[filled[place]] = share[i]
        filled[place] += 1
    held, middle = np.zeros(places, np.int64), np.zeros(places)
    many = 0
    for place in range(places):
        count = first[place + 1] - first[place]
        if count:
            middle[many] = middle_of(ordered[first[place] :], count)
            at[many] = at[place] / count
            held[place], many = many, many + 1
    between = np.empty(len(across))
    for i in range(len(across)):
        own = held[int((across[i] - low) / PROFILE_PX)]
        other = own + 1 if across[i] > at[own] else own - 1
        if other < 0 or other >= many:
            between[i] = middle[own]
        else:
            way = (across[i] - at[own]) / (at[other] - at[own])
            between[i] = middle[own] + way * (middle[other] - middle[own])
    return between


@compiled
def stretches_of(excess: Floats, variance: Floats, along: Floats, across: Floats, bands: Floats) -> Floats:
    """(K, 5, T) sums over pixels of each stretch T in each of K `bands` (K, 2) across, from what `excess_of` says.

    Their number, their excess, that times the distance across, and the variances inside and outside the line; pixels
    near a seam are left out.
    """
    sums = np.zeros((len(bands), 5, int(along.max() / STRETCH_PX) + 1))
    for i in range(len(excess)):
        if variance[i] < 0.0:
            continue
        own = int(along[i] / STRETCH_PX)
        for k in range(len(bands)):
            if bands[k, 0] < across[i] < bands[k, 1]:
                sums[k, COUNT, own] += 1.0
                sums[k, EXCESS, own] += excess[i]
                sums[k, PULL, own] += excess[i] * across[i]
                sums[k, INNER if across[i] < 0.0 else OUTER, own] += variance[i]
    return sums


@compiled
def beyond_noise(band: Floats, fewest: int) -> float:
    """How often the variance that the pixels' noise explains is found in a band (5, T) with nothing but weave in it.

    NaN where fewer than `fewest` stretches are seen.
    """
    seen = np.flatnonzero(band[COUNT] > 0.5 * middle_of(band[COUNT].copy(), band.shape[1]))
    if len(seen) < fewest:
        return np.nan
    high = _beside(band[EXCESS][seen])
    return float(np.mean(high**2 / (band[INNER][seen] + band[OUTER][seen])))


@compiled
def wavering(band: Floats, cloth: float, mat: float, fewest: int) -> tuple[Floats, Floats]:
    """(2, T) how many px cloth lies further out than beside a stretch, NaN where little is seen, and its deviation.

    `cloth` and `mat` say how often the variance that noise explains is found inside and outside.
    """
    ragged = np.full(band.shape[1], np.nan)
    seen = np.flatnonzero(band[COUNT] > 0.7 * middle_of(band[COUNT].copy(), band.shape[1]))
    if len(seen) >= fewest:
        high = _beside(band[EXCESS][seen])
        for k in range(len(seen)):
            ragged[seen[k]] = high[k] / STRETCH_PX
    return ragged, np.sqrt(np.maximum(band[INNER] * cloth + band[OUTER] * mat, 1e-12)) / STRETCH_PX


@compiled
def _beside(values: Floats) -> Floats:
    """(T,) values over the median of their neighbours."""
    middle: Floats = runs_medians(values.reshape(1, -1), TREND)[0]
    return values - middle
