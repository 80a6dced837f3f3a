"""The light across a seam pixel by pixel, and its equations with both fabrics' levels eliminated: compiled loops.

See `seam_fit` for what is fitted. Channels are luma and two colour differences; levels and what is seen are encoded.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.robust import MAD_TO_SD
from vision.compiled import compiled
from vision.edge.model.encoding import light_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWNS = 6  # offset and turn of the line, dips inside and outside, width of the fold and how far off it begins
HUBER = 2.5  # residuals beyond this many standard deviations count less
MOSTLY = 0.9  # of a pixel is one fabric's: its residuals tell how noisy that is
FEWEST = 5
LEAST_SPREAD = 1e-3  # of the encoded range, that the levels of any cloth vary along a line
FARTHEST, FINE = 6.0, 128  # of a table of the normal distribution: standard deviations, steps in each
AT = np.arange(-round(FARTHEST * FINE), round(FARTHEST * FINE) + 1) / FINE
NORMAL = np.column_stack([ndtr(AT), np.exp(-0.5 * AT * AT) / math.sqrt(2.0 * math.pi)])


class Camera(NamedTuple):
    """How light becomes what is seen."""

    blur_px: float
    reaches_px: Floats  # (R,) of the colours' further blur, the first 0
    parts: Floats  # (R,) its shares
    ycc_of: Floats  # (3, 3) of encoded blue green red
    bgr_of: Floats  # (3, 3) its inverse
    linear: Floats  # (256,) light of encoded values
    encoded: Floats  # (F,) encoded values over the root of light,
    slope: Floats  # and their slopes by light
    normal: Floats  # (K, 2) `NORMAL`


class Pixels(NamedTuple):
    """N pixels about a line, in B bins along it."""

    across_px: Floats
    along_px: Floats
    bin: Ints  # (N,)
    seen: Floats  # (3, N)


class Levels(NamedTuple):
    """Both fabrics' levels, and what is known of how they spread along the seam."""

    values: Floats  # (2, 3, B) in each bin
    mean: Floats  # (2, 3)
    u: Floats  # (2, 3)


class Seen(NamedTuple):
    """N pixels as predicted."""

    seen: Floats  # (3, N)
    slopes: Floats  # (U, 3, N) by the unknowns
    by_level: Floats  # (2, 3, N) by the bin's levels, inner and outer
    share: Floats  # (2, N) of the inner fabric, at the luma's and at the colours' blur


class Sums(NamedTuple):
    """The equations of the unknowns without any prior, and of the levels."""

    normal: Floats  # (U, U), levels eliminated
    scores: Floats  # (U, B)
    inverse: Floats  # (2, 2, 3, B) covariance of the levels
    top: Floats  # (2, 3, B)
    cross: Floats  # (2, U, 3, B)
    cost: float  # of the residuals, and of the levels' own spread


@compiled
def predicted(pixels: Pixels, unknown: Floats, levels: Floats, camera: Camera) -> Seen:
    """The pixels at some unknowns (5,) and levels (2, 3, B)."""
    many = len(pixels.across_px)
    light, steep = lights_of(levels, camera)
    seen, slopes = np.zeros((3, many)), np.zeros((UNKNOWNS, 3, many))
    by_level, shares = np.zeros((2, 3, many)), np.zeros((2, many))
    offset, turn, inner, outer, width, gap = unknown
    s, encoded, by = camera.blur_px, np.empty(3), np.empty((7, 3))
    for i in range(many):
        b = pixels.bin[i]
        e = pixels.across_px[i] - offset - turn * pixels.along_px[i]
        for r in range(len(camera.reaches_px)):
            away, part = e + camera.reaches_px[r], camera.parts[r]
            here, d_here = normal_at(away / s, camera.normal)
            before, d_before = normal_at((away + gap + width) / s, camera.normal)
            within, d_within = normal_at((away + gap) / s, camera.normal)
            beyond, d_beyond = normal_at((away - gap) / s, camera.normal)
            after, d_after = normal_at((away - gap - width) / s, camera.normal)
            of_f, of_g = 1.0 - here - inner * (before - within), here - outer * (beyond - after)
            by_f, by_g = (-d_here - inner * (d_before - d_within)) / s, (d_here - outer * (d_beyond - d_after)) / s
            for c in range(3):
                f, g = light[0, c, b], light[1, c, b]
                encoded[c], steepness = written_light(f * of_f + g * of_g, camera)
                by[0, c] = steepness * (f * by_f + g * by_g)
                by[1, c] = steepness * f * (before - within)
                by[2, c] = steepness * g * (beyond - after)
                by[3, c] = steepness * (inner * f * d_before + outer * g * d_after) / s
                by[4, c] = by[3, c] - steepness * (inner * f * d_within + outer * g * d_beyond) / s
                by[5, c] = steepness / steep[0, c, b]
                by[6, c] = steepness / steep[1, c, b]
            luma_0, luma_1 = 0.0, 0.0
            for c in range(3):
                luma_0 += camera.ycc_of[0, c] * by[5, c]
                luma_1 += camera.ycc_of[0, c] * by[6, c]
            # Luma is seen at the place itself, colours also at places to both sides.
            for row in range(0 if r == 0 else 1, 3):
                count = 1.0 if row == 0 else part
                for c in range(3):
                    to_seen = count * camera.ycc_of[row, c]
                    seen[row, i] += to_seen * encoded[c]
                    slopes[0, row, i] -= to_seen * by[0, c]
                    slopes[2, row, i] -= to_seen * by[1, c]
                    slopes[3, row, i] -= to_seen * by[2, c]
                    slopes[4, row, i] -= to_seen * by[3, c]
                    slopes[5, row, i] -= to_seen * by[4, c]
                by_level[0, row, i] += count * of_f * luma_0
                by_level[1, row, i] += count * of_g * luma_1
            shares[1, i] += part * (1.0 - here)
            if r == 0:
                shares[0, i] = 1.0 - here
        for row in range(3):
            slopes[1, row, i] = slopes[0, row, i] * pixels.along_px[i]
    return Seen(seen, slopes, by_level, shares)


@compiled
def lights_of(levels: Floats, camera: Camera) -> tuple[Floats, Floats]:
    """(2, 3, B) each: the linear light of both fabrics' `levels` (2, 3, B), and how steep it is written down there."""
    light, steep = np.zeros(levels.shape), np.zeros(levels.shape)
    for k in range(2):
        for b in range(levels.shape[2]):
            for c in range(3):
                for j in range(3):
                    light[k, c, b] += camera.bgr_of[c, j] * levels[k, j, b]
                light[k, c, b] = light_of(light[k, c, b], camera.linear)
                steep[k, c, b] = written_light(light[k, c, b], camera)[1]
    return light, steep


@compiled
def normal_at(z: float, table: Floats) -> tuple[float, float]:
    """The normal distribution and its density at z, from `NORMAL`: to 0.000002."""
    place = (min(max(z, -FARTHEST), FARTHEST) + FARTHEST) * FINE
    low = min(int(place), len(table) - 2)
    share = place - low
    below, beyond = table[low], table[low + 1]
    return below[0] + share * (beyond[0] - below[0]), below[1] + share * (beyond[1] - below[1])


@compiled
def written_light(light: float, camera: Camera) -> tuple[float, float]:
    """Its encoded value and slope, as `Encoder.encode`."""
    place = math.sqrt(min(max(light, 0.0), 1.0)) * (len(camera.encoded) - 1.001)
    low = int(place)
    share = place - low
    value = camera.encoded[low] + share * (camera.encoded[low + 1] - camera.encoded[low])
    return value, camera.slope[low] + share * (camera.slope[low + 1] - camera.slope[low])


@compiled
def variance_of(at: Seen, pixels: Pixels, levels: Floats, floor: Floats, model_error: Floats) -> Floats:
    """(3, N): from the residuals of each fabric, at least `floor` (3,) squared; what the blur's shape does not know.

    The latter counts at the step, as `model_error` (3,) of it.
    """
    variance, off = np.empty_like(pixels.seen), np.empty(len(pixels.bin))
    for c in range(3):
        spread = np.empty(2)
        for k in range(2):
            count = 0
            for i in range(len(off)):
                share = at.share[min(c, 1), i]
                if (share if k == 0 else 1.0 - share) > MOSTLY:
                    off[count] = abs(pixels.seen[c, i] - at.seen[c, i])
                    count += 1
            spread[k] = max(floor[c], MAD_TO_SD * np.median(off[:count])) if count >= FEWEST else floor[c]
        for i in range(len(off)):
            b, share = pixels.bin[i], at.share[min(c, 1), i]
            wrong = abs(levels[0, 0, b] - levels[1, 0, b])
            if c:
                wrong = max(wrong, abs(levels[0, c, b] - levels[1, c, b]))
            middle = 4.0 * share * (1.0 - share)
            own = (share * spread[0]) ** 2 + ((1.0 - share) * spread[1]) ** 2 + middle * floor[c] ** 2 / 2.0
            variance[c, i] = own + (model_error[c] * wrong * middle) ** 2
    return variance


@compiled
def equations(at: Seen, pixels: Pixels, variance: Floats, noise: Floats, levels: Levels) -> Sums:
    """Weigh the residuals by `variance` (3, N), outliers less, and eliminate the levels of each bin.

    `noise` (2, 3): standard deviations, and how many neighbours err alike.
    """
    many, bins, unknowns = len(pixels.bin), levels.values.shape[2], len(at.slopes)
    normal, scores = np.zeros((unknowns, unknowns)), np.zeros((unknowns, bins))
    cross, inverse, top = np.zeros((2, unknowns, 3, bins)), np.zeros((2, 2, 3, bins)), np.zeros((2, 3, bins))
    acting, cost, pull = np.zeros((3, 3, bins)), 0.0, np.empty(unknowns)
    for c in range(3):
        alike = noise[0, c] ** 2 * (noise[1, c] - 1.0)
        for i in range(many):
            b, spread = pixels.bin[i], variance[c, i]
            rest = pixels.seen[c, i] - at.seen[c, i]
            lone, r = spread / (spread + alike), abs(rest) / math.sqrt(spread)
            cost += lone * (r * r if r < HUBER else HUBER * (2.0 * r - HUBER))
            weight = min(1.0, HUBER / max(r, 1e-9)) * lone / spread
            f, g = at.by_level[0, c, i], at.by_level[1, c, i]
            acting[0, c, b] += weight * f * f
            acting[1, c, b] += weight * f * g
            acting[2, c, b] += weight * g * g
            top[0, c, b] += weight * f * rest
            top[1, c, b] += weight * g * rest
            for x in range(unknowns):
                pull[x] = weight * at.slopes[x, c, i]
                scores[x, b] += pull[x] * rest
                cross[0, x, c, b] += pull[x] * f
                cross[1, x, c, b] += pull[x] * g
                for y in range(x + 1):
                    normal[x, y] += pull[x] * at.slopes[y, c, i]
        before, after = 1.0 / levels.u[0, c] ** 2, 1.0 / levels.u[1, c] ** 2
        for b in range(bins):
            off_f, off_g = levels.mean[0, c] - levels.values[0, c, b], levels.mean[1, c] - levels.values[1, c, b]
            cost += before * off_f**2 + after * off_g**2
            inner, both, outer = acting[0, c, b] + before, acting[1, c, b], acting[2, c, b] + after
            det = inner * outer - both * both
            inverse[0, 0, c, b], inverse[1, 1, c, b] = outer / det, inner / det
            inverse[0, 1, c, b] = inverse[1, 0, c, b] = -both / det
            top[0, c, b] += before * off_f
            top[1, c, b] += after * off_g
            for x in range(unknowns):
                for k in range(2):
                    share = inverse[k, 0, c, b] * cross[0, x, c, b] + inverse[k, 1, c, b] * cross[1, x, c, b]
                    scores[x, b] -= share * top[k, c, b]
                    for y in range(x + 1):
                        normal[x, y] -= share * cross[k, y, c, b]
    for x in range(unknowns):
        for y in range(x):
            normal[y, x] = normal[x, y]
    return Sums(normal, scores, inverse, top, cross, cost)


@compiled
def row_scores(at: Seen, pixels: Pixels, variance: Floats, noise: Floats, sums: Sums, row: Ints, rows: int) -> Floats:
    """(U, R): what each of R rows along the seam says of the unknowns, the levels being eliminated.

    `row` (N,) is each pixel's; the other arrays are as in `equations`, whose `sums` these are.
    """
    unknowns, scores = len(at.slopes), np.zeros((len(at.slopes), rows))
    for c in range(3):
        alike = noise[0, c] ** 2 * (noise[1, c] - 1.0)
        for i in range(len(row)):
            b, spread, rest = pixels.bin[i], variance[c, i], pixels.seen[c, i] - at.seen[c, i]
            lone = spread / (spread + alike)
            pull = min(1.0, HUBER * math.sqrt(spread) / max(abs(rest), 1e-12)) * lone / spread * rest
            for x in range(unknowns):
                slope = at.slopes[x, c, i]
                for k in range(2):
                    share = (
                        sums.inverse[k, 0, c, b] * sums.cross[0, x, c, b]
                        + sums.inverse[k, 1, c, b] * sums.cross[1, x, c, b]
                    )
                    slope -= share * at.by_level[k, c, i]
                scores[x, row[i]] += pull * slope
    return scores


@compiled
def levels_after(levels: Levels, sums: Sums, change: Floats, learning: bool) -> Levels:
    """After a step of the unknowns by `change` (U,); where `learning`, their mean and spread are what is now seen."""
    after, mean, u, bins = levels.values.copy(), levels.mean.copy(), levels.u.copy(), levels.values.shape[2]
    for k in range(2):
        for c in range(3):
            low, high = (0.0, 1.0) if c == 0 else (-0.5, 0.5)
            for b in range(bins):
                for m in range(2):
                    top = sums.top[m, c, b]
                    for x in range(len(change)):
                        top -= sums.cross[m, x, c, b] * change[x]
                    after[k, c, b] += sums.inverse[k, m, c, b] * top
                after[k, c, b] = min(max(after[k, c, b], low), high)
            if learning:
                weight = 1.0 / np.maximum(sums.inverse[k, k, c], np.median(sums.inverse[k, k, c]))
                mean[k, c] = np.sum(weight * after[k, c]) / weight.sum()
                variance = np.sum(weight * (after[k, c] - mean[k, c]) ** 2) / weight.sum()
                u[k, c] = math.sqrt(variance * bins / max(bins - 1.0, 1.0) + LEAST_SPREAD**2)
    return Levels(after, mean, u)
