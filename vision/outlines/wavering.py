"""How far cloth reaches beyond the middle of its own side, stretch by stretch along it: loops over sides' pixels.

See `blemishes` for why what is told from it is told so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.sampling import rows_in_order, write_down
from vision.medians import middle_between, middle_of, runs_medians
from vision.outlines.plainparts import BIN_PX, FEWEST_BINS, SMOOTH, cloth_levels, parts_along
from vision.outlines.rimshade import shade

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


INSIDE_PX, OUTSIDE_PX = 8.0, 9.0  # what is looked at
THREADS_MM = (0.2, 1.0)  # how far loose threads stand out (common practice, no source)
NOTCH_PX = (-6.0, 1.5)  # across the line
CLOTH_PX, MAT_PX = (-7.0, -3.0), (4.0, 8.0)  # that tell what varies without a blemish
EDGE_PX = (-2.5, 1.3)  # where the edge shows, were there no threads
LEAST_MAT_PX = 2.0
NOTCH_TREND, THREADS_TREND = 15, 7  # stretches: threads differ from one to the next, what is smoother is no thread
FEWEST = 12  # stretches that make a part of a side
NOISE_DOUBT = 0.4  # of the expected deviation: compression does more beside a step than on even ground
COLOUR_WEIGHT = 0.25  # compression writes one sample of colour for four pixels
SURELY_RAGGED = 3.0  # standard deviations
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
        bow, half, scale, along_scale, printed, start, end = beside.lines[s]
        own, count = np.empty(ends[s + 1] - ends[s], np.int64), 0
        for i in range(ends[s], ends[s + 1]):
            if -INSIDE_PX < across_px[i] < OUTSIDE_PX and start < along_px[i] < end:
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
        part_of = parts_along(shown, mat, along - first, across, precision, beside.noise_sd, printed > 0.0)
        for part in range(part_of.max() + 1):
            here = np.flatnonzero(part_of == part)
            near, off = along[here], across[here]
            low = near.min()
            near -= low
            excess, variance = excess_of(rows_in_order(shown, here), rows_in_order(mat, here), near, off, precision)
            if len(excess):
                sums = stretches_of(excess, variance, near, off, _bands(scale), beside.threads[s])
                first_mm, step_mm = (low + half) / along_scale, STRETCH_PX / along_scale
                many = _told_of(sums, s, scale, first_mm, step_mm, printed > 0.0, found, many)
    return found[:many].copy()


@compiled
def _bands(scale: float) -> Floats:
    """(5, 2) px across the line: plain cloth, bare mat, where a notch shows, where threads do, and all of that again.

    In the last, pixels count for what threads show there. `scale` is in px per mm.
    """
    far = max(MAT_PX[0], min(THREADS_MM[1] * scale + 2.3, OUTSIDE_PX - LEAST_MAT_PX))
    farther = max(MAT_PX[1], min(far + MAT_PX[1] - MAT_PX[0], OUTSIDE_PX))
    threads = EDGE_PX[0], EDGE_PX[1] + THREADS_MM[1] * scale
    return np.array([CLOTH_PX, (far, farther), NOTCH_PX, threads, threads])


@compiled
def _told_of(
    sums: Floats, side: int, scale: float, first_mm: float, step_mm: float, printed: bool, found: Floats, many: int
) -> int:
    """Add what `stretches_of` a part of a side tell to the `many` that are `found`; how many these are then.

    `scale` is in px per mm across the side; stretches are `step_mm` long from `first_mm` on.
    """
    within, outside = beyond_noise(sums[CLOTH], NOTCH_TREND, FEWEST), beyond_noise(sums[MAT], NOTCH_TREND, FEWEST)
    if not math.isfinite(within + outside):
        return many
    if not printed:  # a figure in the mat's colour looks like a notch
        deep, expected = wavering(sums[NOTCH], within, outside, NOTCH_TREND, FEWEST)
        many = _notches(deep, expected, side, scale, first_mm, step_mm, found, many)
    within, outside = beyond_noise(sums[CLOTH], THREADS_TREND, FEWEST), beyond_noise(sums[MAT], THREADS_TREND, FEWEST)
    ragged, expected = wavering(sums[THREADS], within, outside, THREADS_TREND, FEWEST)
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


@compiled
def excess_of(seen: Singles, bare: Singles, along: Floats, across: Floats, precision: Floats) -> tuple[Floats, Floats]:
    """(2, N) how much more cloth pixels show than others at their distance from a side, and its variance by noise.

    `seen` and `bare` (3, N) are encoded luma and colour differences, `along` px from the part's first pixel on,
    `across` px outward, `precision` (3,) of the channels. Where the mat has the cloth's colour, the variance is
    negative; where it has lines, it is greater. No pixels at all come back where the cloth's level is not seen.
    """
    many, bins = len(along), int(along.max() / BIN_PX) + 1
    levels = cloth_levels(seen, along, across, bins)
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
