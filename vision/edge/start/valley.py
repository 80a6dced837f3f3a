"""Where, roughly, does the mat begin? A search over places of each side, for a fit to start in the right valley.

A print has edges of its own, and a fit that starts near one of them stays there. But the bare mat is known to a
pixel's noise, and the cloth shows its colours a little farther inside: so each pixel is held against both, and the
place of the edge is the one at which all pixels together are explained best. The cloth's colours are told by a kernel
density of pixels inside (Silverman, Density Estimation, 1986), the mat's by its picture.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.compiled import compiled
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SURELY_INSIDE_PX = 3.0
STEP_PX = 0.5
MAT_SPREAD = 2.0  # times the noise on bare mat: shade and a little dust allowed for
STRAY = 0.02  # of the pixels may have any colour: dust, a thread
LEAST_STEP = 0.08  # of the encoded range, between cloth and mat, to tell how soft an edge is
NEAR_PX = 4.0  # a shape is told by what is no farther from the line
CLEARLY = 4.5  # of a log likelihood: what a normal distribution has three standard deviations out
SEARCHED, SEARCHED_CLEAR = 400, 200  # pixels that tell a plain side's place to half a pixel
SHOWN, SHOWN_CLEAR = 150, 50  # pixels that tell the cloth's colours
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)
# The normal density by its squared argument, and the normal distribution, in fine steps: millions are looked up.
FINE, FARTHEST = 32.0, 7.0
FALLING = np.exp(-0.5 * np.arange(0.0, FARTHEST**2, 1.0 / FINE))
RISING = ndtr(np.arange(-FARTHEST, FARTHEST, 1.0 / FINE))
LAST_FALL, LAST_RISE = len(FALLING) - 1.001, len(RISING) - 1.001
BESIDE, BESIDE_PX = 0.25, 0.5  # of a rise's width, and beside that: how far from the side its middle may lie
LEAST_PIXELS = 20
LEAST_LENGTH_PX = 40.0  # along a shorter side too few pixels speak for a search
WEAVE = 0.03  # of the encoded range a plain cloth may vary


def contradicted(window: Window, noise: Noise, encoder: Encoder, blur_px: float, bows_px: Floats) -> Bools:
    """(S,): whether cloth and mat part clearly better at a straight side than at one with the bow (S,) of a fit.

    Either may lie where it parts them best: what is compared is the shape alone.
    """
    result, bowed_ones = np.zeros(window.count, np.bool_), np.flatnonzero(np.abs(bows_px) > STEP_PX)
    if not len(bowed_ones):
        return result
    basis, spread = window.bow_basis(), MAT_SPREAD * np.array(noise.sd)[:, None]
    for s in bowed_ones:
        run = window.runs[s]
        across, seen = window.across_px[run], window.seen[:, run]
        deep, near = across < -SURELY_INSIDE_PX, np.abs(across) < NEAR_PX + abs(float(bows_px[s]))
        if min(np.count_nonzero(deep), np.count_nonzero(near)) < LEAST_PIXELS:
            continue
        off = seen[:, near] - YCC_OF_BGR @ encoder.encode(window.bare[:, run][:, near])[0]
        own = window.cloth_seen[:, run]
        odds = _cost_of_cloth(own[:, near].astype(np.float64), own[:, deep], spread) - _cost_of_mat(off, spread)
        places = np.arange(-NEAR_PX / 2.0, NEAR_PX / 2.0 + STEP_PX, STEP_PX)[:, None] - across[near]
        straight, bowed = (
            float(np.min(ndtr((places + bow * basis[run][near]) / blur_px) @ odds)) for bow in (0.0, bows_px[s])
        )
        result[s] = straight < bowed - CLEARLY
    return result


def likeliest_offsets_px(
    window: Window, deep: Window, noise: Noise, encoder: Encoder, blur_px: float, printed: Bools, clear: Bools
) -> Floats:
    """(S,) offsets outward of the sides' lines at which cloth and mat part best; 0 where too little is seen.

    `deep` are pixels of the same sides that reach farther inside, to tell the cloth's colours. Sides that are not
    `printed` (S,) need a place to start from only: some of their pixels are enough, fewer where they are `clear` (S,).
    """
    result, inner, spread = np.zeros(window.count), deep.cloth_seen, MAT_SPREAD * np.array(noise.sd)[:, None]
    most = np.where(printed, len(window.side), np.where(clear, SEARCHED_CLEAR, SEARCHED))
    some = np.concatenate(
        [np.arange(run.start, run.stop, max(1, (run.stop - run.start) // most[s])) for s, run in enumerate(window.runs)]
    )
    ends = np.searchsorted(window.side[some], np.arange(window.count + 1))
    across, own = window.across_px[some], window.cloth_seen[:, some].astype(np.float64)
    off = window.seen[:, some] - YCC_OF_BGR @ encoder.encode(window.bare[:, some])[0]
    of_mat = _cost_of_mat(off, spread)
    for s, deep_run in enumerate(deep.runs):
        run = slice(ends[s], ends[s + 1])
        cloth = inner[:, deep_run][:, deep.across_px[deep_run] < -SURELY_INSIDE_PX]
        if cloth.shape[1] < LEAST_PIXELS or np.ptp(window.along_px[some[run]]) < LEAST_LENGTH_PX:
            continue
        odds = _cost_of_cloth(own[:, run], cloth, spread, SHOWN_CLEAR if clear[s] else SHOWN) - of_mat[run]
        offsets = np.arange(float(across[run].min()) + SURELY_INSIDE_PX / 2.0, float(across[run].max()) - 1.0, STEP_PX)
        if len(offsets):
            result[s] = offsets[int(np.argmin(costs_at(offsets, across[run] / blur_px, odds, blur_px)))]
    return result


def figures(window: Window, noise: Noise) -> tuple[Floats, Bools]:
    """(S, 3): how much the encoded cloth inside each line varies within a bin, besides what is foretold of it.

    And (S,): whether that is more than noise and weave.
    """
    bins = window.bin_starts, window.bin_side
    counts, luma, spreads = spread_inside(window.across_px, window.cloth_seen, *bins, window.count)
    halves, enough = np.full_like(luma, 0.5), counts >= LEAST_PIXELS
    more = spreads > 3.0 * np.array(noise.sd) + WEAVE * np.column_stack([luma, halves, halves])
    return np.where(enough[:, None], spreads, 0.0), more.any(axis=1) & enough


@compiled
def spread_inside(
    across_px: Floats, seen: Singles, ends: Ints, bin_side: Ints, sides: int
) -> tuple[Floats, Floats, Floats]:
    """Of the pixels inside each side's line: how many (S,), their mean luma (S,), their spread within bins (S, 3).

    `seen` (3, N); `ends` (B + 1,) are the bins' first pixels, and the end; `bin_side` (B,) their sides.
    """
    counts, luma, spreads = np.zeros(sides), np.zeros(sides), np.zeros((sides, 3))
    for b in range(len(ends) - 1):
        for c in range(3):
            count, total, squares = 0.0, 0.0, 0.0
            for i in range(ends[b], ends[b + 1]):
                if across_px[i] < -SURELY_INSIDE_PX / 2.0:
                    count += 1.0
                    total += seen[c, i]
                    squares += seen[c, i] * seen[c, i]
            spreads[bin_side[b], c] += max(0.0, squares - total * total / max(count, 1.0))
            if c == 0:
                counts[bin_side[b]] += count
                luma[bin_side[b]] += total
    for s in range(sides):
        luma[s] /= max(counts[s], 1.0)
        for c in range(3):
            spreads[s, c] = math.sqrt(spreads[s, c] / max(counts[s], 1.0))
    return counts, luma, spreads


def _cost_of_cloth(seen: Floats, known: Singles, spread: Floats, shown: int = SHOWN) -> Floats:
    """(N,): minus the log density of each pixel among the cloth's own, taken from inside."""
    some: Floats = known[:, :: max(1, known.shape[1] // shown)].astype(np.float64, order="C")
    # Wide enough that a few dozen pixels make a density, narrow enough that a print's colours stay apart.
    width = np.maximum(spread, 0.25 * some.std(axis=1, keepdims=True))
    density = nearness(np.ascontiguousarray(seen / width), some / width) / float(np.prod(width)) / ROOT_TWO_PI**3
    return np.asarray(-np.log((1.0 - STRAY) * density + STRAY))


@compiled
def nearness(seen: Floats, known: Floats) -> Floats:
    """(N,): of colours (3, N), the mean over known ones (3, M) of exp(-d^2 / 2), d apart; nothing past seven."""
    result = np.empty(seen.shape[1])
    for i in range(seen.shape[1]):
        total = 0.0
        for k in range(known.shape[1]):
            a, b, c = seen[0, i] - known[0, k], seen[1, i] - known[1, k], seen[2, i] - known[2, k]
            place = min(FINE * (a * a + b * b + c * c), LAST_FALL)
            low = int(place)
            total += FALLING[low] + (place - low) * (FALLING[low + 1] - FALLING[low])
        result[i] = total / known.shape[1]
    return result


@compiled
def costs_at(offsets: Floats, places: Floats, odds: Floats, blur_px: float) -> Floats:
    """(K,): of edges at `offsets` (K,) px, what pixels cost whose odds (N,) against cloth are known.

    `places` (N,) are theirs across the side, over the blur.
    """
    costs = np.zeros(len(offsets))
    for k in range(len(offsets)):
        for i in range(len(places)):
            place = max(0.0, min(FINE * (offsets[k] / blur_px - places[i] + FARTHEST), LAST_RISE))
            low = int(place)
            costs[k] += odds[i] * (RISING[low] + (place - low) * (RISING[low + 1] - RISING[low]))
    return costs


def _cost_of_mat(off: Floats, spread: Floats) -> Floats:
    density = np.exp(-0.5 * np.sum((off / spread) ** 2, axis=0)) / float(np.prod(spread)) / ROOT_TWO_PI**3
    return np.asarray(-np.log((1.0 - STRAY) * density + STRAY))


def softness_px(window: Window) -> Floats:
    """(S,): standard deviation of the blur, about, from where the mean light across each side rises; NaN if unclear."""
    return rises_px(window.across_px, window.seen[0], window.side_ends)


@compiled
def rises_px(across_px: Floats, luma: Singles, ends: Ints) -> Floats:
    """(S,) as `softness_px` has it, of pixels (N,) of sides, whose first pixels and the end are `ends` (S + 1,).

    Between a fifth and four fifths of a blurred step lie 1.683 standard deviations (normal distribution).
    """
    result = np.full(len(ends) - 1, np.nan)
    for s in range(len(result)):
        across, seen = across_px[ends[s] : ends[s + 1]], luma[ends[s] : ends[s + 1]]
        if len(across) < LEAST_PIXELS:
            continue
        first_px = across.min() + 0.5
        many = math.ceil((across.max() - 0.5 - first_px) / 0.5) - 1
        if many < 2 * SURELY_INSIDE_PX - 1:
            continue
        mean, count = np.zeros(many), np.zeros(many)
        for i in range(len(across)):
            k = math.floor((across[i] - first_px) / 0.5)
            if 0 <= k < many:
                mean[k] += seen[i]
                count[k] += 1.0
        if count.min() == 0.0:
            continue
        mean /= count
        inner, outer = mean[:4].mean(), mean[-4:].mean()
        if abs(inner - outer) < LEAST_STEP:
            continue
        rise = (mean - inner) / (outer - inner)
        low, high = first_px + 0.25 + 0.5 * _reached(rise, 0.2), first_px + 0.25 + 0.5 * _reached(rise, 0.8)
        # A blur is even about the side. What rises beside it is something else: the mat's rim, and the table beyond.
        if abs(low + high) / 2.0 < BESIDE_PX + BESIDE * (high - low):
            result[s] = (high - low) / 1.683
    return result


@compiled
def _reached(rise: Floats, share: float) -> float:
    """At which place of a rise (K,), between two of them, it first comes to a `share`; where it falls it is level."""
    most = rise[0]
    for k in range(len(rise)):
        if rise[k] >= share:
            return k - (rise[k] - share) / (rise[k] - most) if k > 0 else 0.0
        most = max(most, rise[k])
    return len(rise) - 1.0
