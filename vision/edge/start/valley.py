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
    basis, own, ends, spread = window.bow_basis(), window.cloth_seen, window.side_ends, MAT_SPREAD * np.array(noise.sd)
    for s in bowed_ones:
        known = inside(window.across_px, own, ends, int(s), SHOWN)
        near = np.flatnonzero(np.abs(window.across_px[window.runs[s]]) < NEAR_PX + abs(float(bows_px[s]))) + ends[s]
        if known.size == 0 or len(near) < LEAST_PIXELS:
            continue
        odds = odds_of(window.seen, own, window.bare, near, known, spread, encoder.steps[0])
        places = np.arange(-NEAR_PX / 2.0, NEAR_PX / 2.0 + STEP_PX, STEP_PX)[:, None] - window.across_px[near]
        straight, bowed = (
            float(np.min(ndtr((places + bow * basis[near]) / blur_px) @ odds)) for bow in (0.0, bows_px[s])
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
    most = np.where(printed, max(len(window.side), 1), np.where(clear, SEARCHED_CLEAR, SEARCHED))
    pixels = window.across_px, window.along_px, window.seen, window.cloth_seen, window.bare, window.side_ends
    cloth, shown = (deep.across_px, deep.cloth_seen, deep.side_ends), np.where(clear, SHOWN_CLEAR, SHOWN)
    return parted(*pixels, *cloth, MAT_SPREAD * np.array(noise.sd), encoder.steps[0], blur_px, most, shown)


@compiled
def parted(
    across_px: Floats,
    along_px: Floats,
    seen: Singles,
    own: Singles,
    bare: Singles,
    ends: Ints,
    deep_px: Floats,
    cloth: Singles,
    deep_ends: Ints,
    spread: Floats,
    steps: Singles,
    blur_px: float,
    most: Ints,
    shown: Ints,
) -> Floats:
    """(S,) as `likeliest_offsets_px` has it, of pixels (N,) whose first of each side, and the end, are `ends` (S + 1,).

    They are `seen` (3, N), their cloth by its `own` (3, N) colours, on the `bare` (3, N) mat; `cloth` (3, D) shows what
    lies `deep_px` (D,) outward of the sides' lines. Of each side so many pixels at `most` (S,) are searched, about so
    many `shown` (S,) of its cloth.
    """
    result = np.zeros(len(ends) - 1)
    for s in range(len(result)):
        known, some = inside(deep_px, cloth, deep_ends, s, shown[s]), _every(ends[s], ends[s + 1], most[s])
        if known.size == 0 or len(some) == 0:
            continue
        along, across = along_px[some], across_px[some]
        first_px, last_px = across.min() + SURELY_INSIDE_PX / 2.0, across.max() - 1.0
        if along.max() - along.min() >= LEAST_LENGTH_PX and last_px > first_px:
            odds = odds_of(seen, own, bare, some, known, spread, steps)
            costs = costs_at(np.arange(first_px, last_px, STEP_PX), across / blur_px, odds, blur_px)
            result[s] = first_px + STEP_PX * np.argmin(costs)
    return result


@compiled
def _every(first: int, end: int, about: int) -> Ints:
    """Numbers from `first` to before `end` in even steps: all, or `about` so many and less than twice that."""
    return np.arange(first, end, max(1, (end - first) // about))


@compiled
def inside(across_px: Floats, cloth: Singles, ends: Ints, s: int, shown: int) -> Floats:
    """(3, M): colours of `cloth` (3, N) well inside of side `s`, about as many as are to be `shown`.

    None if they are few. The first of each side's pixels, and the end, are `ends` (S + 1,).
    """
    where, many = np.empty(ends[s + 1] - ends[s], np.int64), 0
    for i in range(ends[s], ends[s + 1]):
        if across_px[i] < -SURELY_INSIDE_PX:
            where[many] = i
            many += 1
    some = _every(0, many if many >= LEAST_PIXELS else 0, shown)
    colours = np.empty((3, len(some)))
    for c in range(3):
        for m in range(len(some)):
            colours[c, m] = cloth[c, where[some[m]]]
    return colours


@compiled
def odds_of(
    seen: Singles, own: Singles, bare: Singles, pixels: Ints, known: Floats, spread: Floats, steps: Singles
) -> Floats:
    """(K,): log odds of `pixels` (K,) being mat and not cloth.

    Of the mat's density by what is `seen` (3, N) and the `bare` (3, N) mat, with a `spread` (3,); of the cloth's by the
    `own` (3, N) colours among those `known` (3, M) of it. `steps` are the encoder's values over the root of light.
    """
    odds, colours, of_bgr, last = np.empty(len(pixels)), np.empty((3, len(pixels))), np.empty(3), len(steps) - 1
    widths = np.empty(3)
    for c in range(3):
        # Wide enough that a few dozen pixels make a density, narrow enough that a print's colours stay apart.
        widths[c] = max(spread[c], 0.25 * known[c].std())
        for k in range(len(pixels)):
            colours[c, k] = own[c, pixels[k]] / widths[c]
    near = nearness(colours, known / widths.reshape(3, 1))
    for k in range(len(pixels)):
        i, squares = pixels[k], 0.0
        for c in range(3):
            of_bgr[c] = steps[np.int32(np.sqrt(max(0.0, min(bare[c, i], 1.0))) * last + 0.5)]
        for c in range(3):
            of_mat = YCC_OF_BGR[c, 0] * of_bgr[0] + YCC_OF_BGR[c, 1] * of_bgr[1] + YCC_OF_BGR[c, 2] * of_bgr[2]
            squares += ((seen[c, i] - of_mat) / spread[c]) ** 2
        odds[k] = _cost_of(near[k], widths) - _cost_of(math.exp(-0.5 * squares), spread)
    return odds


@compiled
def _cost_of(nearness: float, widths: Floats) -> float:
    """Minus the log of a density of normal distributions (3,) wide, among some strays."""
    density = nearness / (widths[0] * widths[1] * widths[2]) / ROOT_TWO_PI**3
    return -math.log((1.0 - STRAY) * density + STRAY)


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


@compiled
def nearness(seen: Floats, known: Floats) -> Floats:
    """(N,): of colours (3, N), the mean over known ones (3, M) of exp(-d^2 / 2), d apart; nothing past seven."""
    result = np.empty(seen.shape[1])
    for i in range(seen.shape[1]):
        total = 0.0
        for k in range(known.shape[1]):
            a, b, c = seen[0, i] - known[0, k], seen[1, i] - known[1, k], seen[2, i] - known[2, k]
            place = min(FINE * (a * a + b * b + c * c), LAST_FALL)
            low = np.int32(place)
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
            low = np.int32(place)
            costs[k] += odds[i] * (RISING[low] + (place - low) * (RISING[low + 1] - RISING[low]))
    return costs


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
