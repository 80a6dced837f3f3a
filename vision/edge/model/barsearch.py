"""Ruled lines of the mat that run along sides of cloth, found as sharp bars in the bare mat's picture.

Among all lines that lie near a side the one is taken that stands out most, and what is around it fitted: in each bin an
even level, a slope across and a bar, whose middle, lean and variance all bins have in common.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.encoding import YCC_OF_BGR
from vision.edge.model.ruled import NO_BARS, Bars, bar_shape
from vision.edge.pixels.windows import Window
from vision.medians import middle_of

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LUMA = YCC_OF_BGR[0]
NEAR_PX = 4.0  # of a side's middle: lines farther off than blur and width reach do not matter to it
SWEEP_PX = 6.0  # a line leans less than this over half of a side
LEANS = np.linspace(-1.0, 1.0, 17)
CENTRES_PX = np.arange(-NEAR_PX - 2.0, NEAR_PX + 2.25, 0.5)
APART = 4  # centres to either side, that a line stands out from
SPARE_PX = 2.0
REACH_PX = 4.0  # from a bar's middle: what tells its shape
KNOTS_A_PX = 32.0  # a bar's profile is looked up in so fine steps
KNOTS_PX = np.arange(-REACH_PX, REACH_PX + 2.0 / KNOTS_A_PX, 1.0 / KNOTS_A_PX)
STEPS = 8
STEP = 0.02  # of an unknown, for slopes: a looked-up profile is even enough for no finer one
BLUR_U_PX = 0.05  # by which a bar's edges may be softer or sharper than the picture, as those of cloth
START_WIDTH2 = 1.2
MOST_VARIANCE = 3.0  # px^2, of a bar that REACH_PX still shows whole
CLEAR = 8.0  # standard errors of a bar's mass: chance among hundreds of places makes four
CROSSED = 2.0  # times the usual variance of what bars do not explain: there lies something else
FEWEST = 60  # pixels that tell a bar
LEAST, MOST = np.array([-np.inf, -1.0, 0.16, 0.4]), np.array([np.inf, 1.0, MOST_VARIANCE, 2.5])
RIDGE = np.diag([1e-6, 1e-6, 1e-6, 0.0])


def lined_sides(window: Window, band_px: tuple[float, float], blur_px: float) -> Bools:
    """(S,): beside which sides a line of the mat seems to run, within a band across them.

    `blur_px` is what the blur is about.
    """
    shape = bar_shape(KNOTS_PX, blur_px**2 + START_WIDTH2 / 12.0, blur_px)
    pixels = window.across_px, window.along_px, window.bare, window.bin_starts
    side_bins = np.searchsorted(window.bin_side, np.arange(window.count + 1)).astype(np.int64)
    return seem_lined(*pixels, side_bins, band_px, shape)


@compiled
def seem_lined(
    across_px: Floats,
    along_px: Floats,
    bare: Singles,
    bin_starts: Ints,
    side_bins: Ints,
    band_px: tuple[float, float],
    shape: Floats,
) -> Bools:
    """(S,) as `lined_sides` has it; the pixels (N,) are those of `Window`, a line's profile has that `shape` (K,).

    Each side's first bin, and the end, are `side_bins` (S + 1,).
    """
    found = np.zeros(len(side_bins) - 1, np.bool_)
    for s in range(len(found)):
        first, last = bin_starts[side_bins[s]], bin_starts[side_bins[s + 1]]
        (across, along, luma), bins, many = np.empty((3, last - first)), np.empty(last - first, np.int64), 0
        for b in range(side_bins[s], side_bins[s + 1]):
            for i in range(bin_starts[b], bin_starts[b + 1]):
                across[many], along[many], bins[many] = across_px[i], along_px[i], b - side_bins[s]
                luma[many] = LUMA[0] * bare[0, i] + LUMA[1] * bare[1, i] + LUMA[2] * bare[2, i]
                many += band_px[0] < across_px[i] < band_px[1]
        if many >= FEWEST:
            found[s] = stands_out(across[:many], along[:many], luma[:many], bins[:many], shape)
    return found


def find_bars(window: Window, outward_px: Floats, blur_px: float, blur_u_px: float, where: Bools) -> Bars:
    """The bar that runs along each side of a window, where there clearly is one, one a side at most.

    `outward_px` (S, 2) points across the sides in the picture; `blur_px` is what the blur is about, give or take
    `blur_u_px`; only sides `where` (S,) are looked at.
    """
    bins, blur = window.bin_of, (blur_px, math.hypot(blur_u_px, BLUR_U_PX))
    found = [
        _found(window, run, LUMA @ window.bare[:, run], bins[run] - bins[run.start], outward, blur)
        for run, outward, looked_at in zip(window.runs, outward_px, where, strict=True)
        if looked_at and run.stop - run.start >= FEWEST
    ]
    bars = [bar for bar in found if bar is not None]
    return Bars(*(np.concatenate(parts, axis=-1) for parts in zip(*bars, strict=True))) if bars else NO_BARS


def _found(
    window: Window, run: slice, luma: Floats, bins: Ints, outward: Floats, blur: tuple[float, float]
) -> Bars | None:
    """The bar beside one side, whose pixels are `run`, look like `luma` (N,) and lie in `bins` (N,).

    `blur` and its standard uncertainty are in px.
    """
    blur_px, blur_u_px = blur
    across, along = window.across_px[run], window.along_px[run]
    centre, lean = likeliest_line(across, along, luma, bins)
    line = np.array([centre, lean, blur_px**2 + START_WIDTH2 / 12.0, blur_px])  # middle, lean, variance, blur
    farthest = float(np.abs(along).max())
    for step in range(STEPS + 1):
        if abs(line[0]) > NEAR_PX + SPARE_PX:
            return None
        clear, normal, pull = steered(line, across, along, luma, bins)
        if not clear:
            return None
        normal[3, 3] += 1.0 / blur_u_px**2
        pull[3] += (blur_px - line[3]) / blur_u_px**2
        if step < STEPS:
            change = np.linalg.solve(normal + RIDGE, pull)
            size = abs(change[0]) + abs(change[1]) * farthest
            line = np.clip(line + change * min(1.0, 1.0 / (size + 1e-9)), LEAST, MOST)
    away = across - line[0] - line[1] * along
    near = np.flatnonzero(np.abs(away) < REACH_PX)
    away, bins, shape, light = away[near], bins[near], bar_shape(KNOTS_PX, line[2], line[3]), []
    fit = no_profiles(len(near), int(bins[-1]) + 1)
    for channel in window.bare[:, run][:, near]:
        fit_profiles(fit, bins, away, channel, shape)
        light.append(fit.parts[bins, 2])
    ahead, back = (np.stack([bar_shape(away + sign * n, line[2], line[3]) for n in outward]) for sign in (1.0, -1.0))
    covariance = np.linalg.inv(normal + RIDGE)
    middle_u, variance, variance_u = (
        np.full(len(near), one) for one in (math.sqrt(covariance[0, 0]), line[2], math.sqrt(covariance[2, 2]))
    )
    slope = np.asarray(outward @ (ahead - back) / 2.0)
    return Bars(near + run.start, away, middle_u, variance, variance_u, slope, np.stack(light))


@compiled
def steered(line: Floats, across: Floats, along: Floats, luma: Floats, bins: Ints) -> tuple[bool, Floats, Floats]:
    """Whether a bar at `line` (middle, lean, variance, blur) is clear beside a side; if so, how to `steer` it."""
    near, away, values, place = _near(line[0], line[1], across, along, luma, bins)
    if len(near) < FEWEST:
        return False, np.zeros((0, 0)), np.zeros(0)
    shape, slopes = bar_shape(KNOTS_PX, line[2], line[3]), np.empty((3, len(KNOTS_PX)))
    slopes[0] = (bar_shape(KNOTS_PX - STEP, line[2], line[3]) - shape) / STEP
    slopes[1] = (bar_shape(KNOTS_PX, line[2] + STEP, line[3]) - shape) / STEP
    slopes[2] = (bar_shape(KNOTS_PX, line[2], line[3] + STEP) - shape) / STEP
    fit = no_profiles(len(near), near[-1] + 1)
    fit_profiles(fit, near, away, values, shape)
    weights = weights_of(fit)
    normal, pull = steer(fit, near, away, place, slopes, weights)
    return is_clear(fit, weights), normal, pull


@compiled
def _near(
    centre: float, lean: float, across: Floats, along: Floats, luma: Floats, bins: Ints
) -> tuple[Ints, Floats, Floats, Floats]:
    """Of pixels (N,) those that tell a line's shape: their bins, how far from its middle, luma, place along it."""
    near, many = np.empty_like(bins), 0
    away, values, place = np.empty_like(across), np.empty_like(across), np.empty_like(across)
    for i in range(len(bins)):
        off = across[i] - centre - lean * along[i]
        if abs(off) < REACH_PX:
            near[many], away[many], values[many], place[many] = bins[i], off, luma[i], along[i]
            many += 1
    return near[:many], away[:many], values[:many], place[:many]


class Profiles(NamedTuple):
    """N pixels in B bins: in each an even level, a slope across and a bar of a given shape, by least squares."""

    basis: Floats  # (N, 3) of these at each pixel
    inverse: Floats  # (B, 3, 3) of their normal equations
    parts: Floats  # (B, 3) how much of each
    rest: Floats  # (N,) what they do not explain
    spread: Floats  # (B,) variance of that


@compiled
def no_profiles(pixels: int, bins: int) -> Profiles:
    return Profiles(
        np.zeros((pixels, 3)), np.zeros((bins, 3, 3)), np.zeros((bins, 3)), np.zeros(pixels), np.zeros(bins)
    )


@compiled
def stands_out(across: Floats, along: Floats, luma: Floats, bins: Ints, shape: Floats) -> bool:
    """Whether the likeliest line beside a side is clearly there, if its profile has that `shape` (K,) at the knots."""
    centre, lean = likeliest_line(across, along, luma, bins)
    near, away, values, _ = _near(centre, lean, across, along, luma, bins)
    if len(near) < FEWEST:
        return False
    fit = no_profiles(len(near), near[-1] + 1)
    fit_profiles(fit, near, away, values, shape)
    return is_clear(fit, weights_of(fit))


@compiled
def fit_profiles(fit: Profiles, bins: Ints, away: Floats, values: Floats, shape: Floats) -> None:
    """Fit values (N,) of pixels in `bins` (N,), `away` (N,) px from a bar's middle, whose `shape` (K,) is at knots."""
    counts, pulls = np.zeros(len(fit.parts)), np.zeros_like(fit.parts)
    fit.inverse.fill(0.0)
    fit.spread.fill(0.0)
    for i in range(len(bins)):
        fit.basis[i, 0], fit.basis[i, 1], fit.basis[i, 2] = 1.0, away[i] / REACH_PX, looked_up(shape, away[i])
        counts[bins[i]] += 1.0
        for j in range(3):
            pulls[bins[i], j] += fit.basis[i, j] * values[i]
            for k in range(3):
                fit.inverse[bins[i], j, k] += fit.basis[i, j] * fit.basis[i, k]
    for b in range(len(fit.parts)):
        invert(fit.inverse[b])
        for j in range(3):
            inverse = fit.inverse[b, j]
            fit.parts[b, j] = inverse[0] * pulls[b, 0] + inverse[1] * pulls[b, 1] + inverse[2] * pulls[b, 2]
    for i in range(len(bins)):
        basis, parts = fit.basis[i], fit.parts[bins[i]]
        fit.rest[i] = values[i] - basis[0] * parts[0] - basis[1] * parts[1] - basis[2] * parts[2]
        fit.spread[bins[i]] += fit.rest[i] ** 2
    for b in range(len(fit.parts)):
        fit.spread[b] /= max(counts[b] - 3.0, 1.0)


@compiled
def looked_up(shape: Floats, away_px: float) -> float:
    """A profile between its knots."""
    place = (away_px + REACH_PX) * KNOTS_A_PX
    low = min(max(int(place), 0), len(shape) - 2)
    return float(shape[low] + (place - low) * (shape[low + 1] - shape[low]))


@compiled
def invert(normal: Floats) -> None:
    """A symmetric (3, 3), little told parts of which are held at 0, becomes its inverse (by its cofactors)."""
    a, b, c = normal[0, 0] + 1e-6, normal[0, 1], normal[0, 2]
    d, e, f = normal[1, 1] + 1e-2, normal[1, 2], normal[2, 2] + 1e-3
    aa, ab, ac = d * f - e * e, c * e - b * f, b * e - c * d
    determinant = a * aa + b * ab + c * ac
    normal[0, 0], normal[0, 1], normal[0, 2] = aa / determinant, ab / determinant, ac / determinant
    normal[1, 1], normal[1, 2] = (a * f - c * c) / determinant, (b * c - a * e) / determinant
    normal[2, 2] = (a * d - b * b) / determinant
    normal[1, 0], normal[2, 0], normal[2, 1] = normal[0, 1], normal[0, 2], normal[1, 2]


@compiled
def steer(
    fit: Profiles, bins: Ints, away: Floats, along: Floats, slopes: Floats, weights: Floats
) -> tuple[Floats, Floats]:
    """Normal equations (4, 4) and (4,) of a bar's middle, lean, variance and blur, the bins' own parts eliminated.

    `slopes` (3, K) of the profile at its knots, `weights` (B,) of the bins.
    """
    normal, pull, by = np.zeros((4, 4)), np.zeros(4), np.empty(4)
    shared = np.zeros((len(fit.parts), 4, 3))  # of the unknowns with the bins' parts
    for i in range(len(bins)):
        b = bins[i]
        mass = fit.parts[b, 2]
        by[0], by[2], by[3] = (
            mass * looked_up(slopes[0], away[i]),
            mass * looked_up(slopes[1], away[i]),
            mass * looked_up(slopes[2], away[i]),
        )
        by[1] = by[0] * along[i]
        for j in range(4):
            pull[j] += weights[b] * by[j] * fit.rest[i]
            for k in range(j + 1):
                normal[j, k] += weights[b] * by[j] * by[k]
            for k in range(3):
                shared[b, j, k] += by[j] * fit.basis[i, k]
    at_rest = np.zeros_like(fit.parts)
    for i in range(len(bins)):
        for k in range(3):
            at_rest[bins[i], k] += fit.basis[i, k] * fit.rest[i]
    for b in range(len(fit.parts)):
        for j in range(4):
            for m in range(3):
                part = 0.0
                for k in range(3):
                    part += fit.inverse[b, m, k] * shared[b, j, k]
                pull[j] -= weights[b] * part * at_rest[b, m]
                for k in range(j + 1):
                    normal[j, k] -= weights[b] * part * shared[b, k, m]
    for j in range(4):
        for k in range(j):
            normal[k, j] = normal[j, k]
    return normal, pull


@compiled
def weights_of(fit: Profiles) -> Floats:
    """(B,) of bins: one over the variance of what is left; less in the few where another line crosses."""
    usual, weights = middle_of(fit.spread.copy(), len(fit.spread)) + 1e-12, np.empty_like(fit.spread)
    for b in range(len(weights)):
        weights[b] = min(1.0, CROSSED * usual / (fit.spread[b] + 1e-12)) ** 2 / usual
    return weights


@compiled
def is_clear(fit: Profiles, weights: Floats) -> bool:
    """Whether the bar is told from nothing by all bins together."""
    total, mass = 0.0, 0.0
    for b in range(len(weights)):
        total += 1.0 / fit.inverse[b, 2, 2]
        mass += fit.parts[b, 2] / fit.inverse[b, 2, 2]
    return bool(abs(mass) / total * math.sqrt(total * middle_of(weights.copy(), len(weights))) > CLEAR)


@compiled
def likeliest_line(across: Floats, along: Floats, luma: Floats, bins: Ints) -> tuple[float, float]:
    """Middle and lean of the line that stands out most, of all that lie near the side."""
    first, rows = math.floor(across.min()) - 1, bins[-1] + 1
    cells = math.ceil(across.max()) - first + 2
    weight, total = np.zeros((rows, cells)), np.zeros((rows, cells))
    count, level, middles, farthest = np.zeros(rows), np.zeros(rows), np.zeros(rows), 1.0
    for i in range(len(bins)):
        row, low = bins[i], int(across[i] - first)
        share = across[i] - first - low
        weight[row, low] += 1.0 - share
        weight[row, low + 1] += share
        total[row, low] += (1.0 - share) * luma[i]
        total[row, low + 1] += share * luma[i]
        count[row] += 1.0
        level[row] += luma[i]
        middles[row] += along[i]
    for row in range(rows):
        middles[row] /= count[row]
        farthest = max(farthest, abs(middles[row]))
        for cell in range(cells):
            off = total[row, cell] - level[row] / count[row] * weight[row, cell]
            total[row, cell] = off / max(weight[row, cell], 0.5)
    most, centre, lean, sums = -1.0, 0.0, 0.0, np.empty(len(CENTRES_PX))
    for leaning in LEANS:
        slope = leaning * SWEEP_PX / farthest
        for c in range(len(CENTRES_PX)):
            sums[c] = 0.0
            for row in range(rows):
                at = max(0.0, min(CENTRES_PX[c] + slope * middles[row] - first, cells - 1.001))
                low = int(at)
                sums[c] += total[row, low] + (at - low) * (total[row, low + 1] - total[row, low])
        for c in range(APART, len(CENTRES_PX) - APART):
            stands_out = abs(sums[c] - (sums[c - APART] + sums[c + APART]) / 2.0)
            if stands_out > most:
                most, centre, lean = stands_out, CENTRES_PX[c], slope
    return centre, lean
