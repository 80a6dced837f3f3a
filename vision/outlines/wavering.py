"""How far cloth reaches beyond the middle of its own side, stretch by stretch along it: loops over sides' pixels.

See `standingout` for what is told from it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.medians import middle_between, middle_of, runs_medians
from vision.outlines.plainparts import BIN_PX, FEWEST_BINS, SMOOTH, cloth_levels

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

STRETCH_PX, PROFILE_PX = 2.0, 0.25
LEAST_WEIGHT = 0.25  # of what is usual there: a grid line may have the cloth's colour
FEW = 4  # one pixel of so many tells what the mat is like
LINES_PX = -2.0  # across the line; farther inside no light is the mat's
LINE_DOUBT = 0.4  # of how a line differs from its mat: a shadow's rim, or the blur, shows so much more or less of it
CLEAN_PX = 0.03  # no cut wavers less, as far as a picture tells: a share's middle profile is no finer
LEAST_SHARE, MOST_SHARE = np.float32(-1.0), np.float32(2.0)  # of cloth, by far
COUNT, EXCESS, PULL, INNER, OUTER = range(5)  # what is summed over a band of each stretch


@compiled
def excess_of(
    seen: Singles, bare: Singles, along: Floats, across: Floats, precision: Floats, printed: bool
) -> tuple[Floats, Floats]:
    """(2, N) how much more cloth pixels show than others at their distance from a side, and its variance by noise.

    `seen` and `bare` (3, N) are encoded luma and colour differences, `along` px from the part's first pixel on,
    `across` px outward, `precision` (3,) of the channels. Where the mat has the cloth's colour, the variance is
    negative; where it has lines, it is greater. No pixels at all come back where the cloth's level is not seen.
    """
    many, bins = len(along), int(along.max() / BIN_PX) + 1
    levels = cloth_levels(seen, along, across, bins, printed)
    if bins < FEWEST_BINS or levels.size == 0:
        return np.empty(0), np.empty(0)
    share, weight, mat = np.empty(many), np.empty(many), np.empty(3)
    for c in range(3):
        some = bare[c, ::FEW].astype(np.float64)
        mat[c] = middle_of(some, len(some))
    for i in range(many):
        own, all_of_it, shown = int(along[i] / BIN_PX), 0.0, 0.0
        for c in range(3):
            step = levels[c, own] - bare[c, i]
            all_of_it += precision[c] * step * step
            shown += precision[c] * step * (seen[c, i] - bare[c, i])
        weight[i], share[i] = all_of_it, shown
    usual = _usual_weights(weight, along, bins)
    for i in range(many):
        share[i] /= max(weight[i], 1e-3)
    middle = _middle_share(across, share)
    for i in range(many):
        share[i] -= middle[i]
        usual_here, line = usual[int(along[i] / BIN_PX)], 0.0
        if across[i] > LINES_PX:
            for c in range(3):
                line += precision[c] * (bare[c, i] - mat[c]) ** 2
        if weight[i] > max(LEAST_WEIGHT * usual_here, 1.0):
            weight[i] = 1.0 / weight[i] + LINE_DOUBT**2 * line / usual_here
        else:
            weight[i] = -1.0
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
def _middle_share(across: Floats, share: Floats) -> Floats:
    """(N,): the median share at each pixel's distance from the line."""
    low, many = across.min(), 0
    places = int((across.max() - low) / PROFILE_PX) + 1
    first, at, place = np.zeros(places + 1, np.int64), np.zeros(places), np.empty(len(across), np.int64)
    for i in range(len(across)):
        place[i] = int((across[i] - low) / PROFILE_PX)
        first[place[i] + 1] += 1
        at[place[i]] += across[i]
    first = np.cumsum(first)
    ordered, filled = np.empty(len(across), np.float32), first[:-1].copy()
    for i in range(len(across)):
        ordered[filled[place[i]]] = share[i]
        filled[place[i]] += 1
    held, middle = np.zeros(places, np.int64), np.zeros(places)
    for k in range(places):
        if first[k + 1] > first[k]:
            middle[many] = middle_between(ordered[first[k] : first[k + 1]], LEAST_SHARE, MOST_SHARE)
            at[many] = at[k] / (first[k + 1] - first[k])
            held[k], many = many, many + 1
    slope = np.zeros(many + 1)  # up to each of them; no farther than to the first, nor from the last
    for k in range(1, many):
        slope[k] = (middle[k] - middle[k - 1]) / (at[k] - at[k - 1])
    between = np.empty(len(across))
    for i in range(len(across)):
        own = held[place[i]]
        off = across[i] - at[own]
        between[i] = middle[own] + off * (slope[own + 1] if off > 0.0 else slope[own])
    return between


@compiled
def stretches_of(
    excess: Floats, variance: Floats, along: Floats, across: Floats, bands: Floats, shown: Floats
) -> Floats:
    """(K, 5, T) sums over pixels of each stretch T in each of K `bands` (K, 2) across, from what `excess_of` says.

    Their number, their excess, that times the distance across, and the variances inside and outside the line; in the
    last band each pixel counts for as much as is `shown` (2, M), places across and how much at each of them. Pixels of
    which nothing is known are left out.
    """
    sums = np.zeros((len(bands), 5, int(along.max() / STRETCH_PX) + 1))
    step, last = shown[0, 1] - shown[0, 0], shown.shape[1] - 1
    for i in range(len(excess)):
        if variance[i] < 0.0:
            continue
        own = int(along[i] / STRETCH_PX)
        for k in range(len(bands)):
            if bands[k, 0] < across[i] < bands[k, 1]:
                times = 1.0
                if k == len(bands) - 1:
                    place = (across[i] - shown[0, 0]) / step
                    low, times = int(place), 0.0
                    if 0.0 <= place < last:
                        times = shown[1, low] + (place - low) * (shown[1, low + 1] - shown[1, low])
                sums[k, COUNT, own] += 1.0
                sums[k, EXCESS, own] += times * excess[i]
                sums[k, PULL, own] += times * excess[i] * across[i]
                sums[k, INNER if across[i] < 0.0 else OUTER, own] += times * times * variance[i]
    return sums


@compiled
def beyond_noise(band: Floats, trend: int, fewest: int) -> float:
    """How often the variance that the pixels' noise explains is found in a band (5, T) with nothing but weave in it.

    Once at least: compression takes noise away from even ground, but not from beside an edge. NaN where fewer than
    `fewest` stretches are seen.
    """
    seen = np.flatnonzero(band[COUNT] > 0.5 * middle_of(band[COUNT].copy(), band.shape[1]))
    if len(seen) < fewest:
        return np.nan
    high = _beside(band[EXCESS][seen], trend)
    return max(float(np.mean(high**2 / (band[INNER][seen] + band[OUTER][seen]))), 1.0)


@compiled
def wavering(band: Floats, cloth: float, mat: float, trend: int, fewest: int) -> tuple[Floats, Floats]:
    """(2, T) how many px cloth lies further out than beside a stretch, NaN where little is seen, and its deviation.

    `cloth` and `mat` say how often the variance that noise explains is found inside and outside; what is wider than
    half of `trend` stretches is the side's shape.
    """
    ragged = np.full(band.shape[1], np.nan)
    seen = np.flatnonzero(band[COUNT] > 0.7 * middle_of(band[COUNT].copy(), band.shape[1]))
    if len(seen) >= fewest:
        high = _beside(band[EXCESS][seen], trend)
        for k in range(len(seen)):
            ragged[seen[k]] = high[k] / STRETCH_PX
    return ragged, np.sqrt((band[INNER] * cloth + band[OUTER] * mat) / STRETCH_PX**2 + CLEAN_PX**2)


@compiled
def _beside(values: Floats, trend: int) -> Floats:
    """(T,) values over the median of their neighbours."""
    middle: Floats = runs_medians(values.reshape(1, -1), trend)[0]
    return values - middle
