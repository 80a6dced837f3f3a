"""Ruled lines of the mat that run along a side of cloth: found as sharp bars in the bare mat's picture, cut exactly.

Where cloth covers part of a printed line, the blurred product of mat and mask is not near the product of the blurred
two, nor soon reached by a series from there: an edge on a line's own edge would be a tenth of a pixel off. So a line is
taken for what it is, a bar of even light between two straight edges, and the light of the part that cloth leaves bare
is that of a narrower bar. A bar's place, mass and variance across are read from the bare mat's picture; how wide it is
then follows from the blur, as a box of width w behind a blur s has the variance s^2 + w^2 / 12.

A line that crosses a side at an angle needs nothing of this: its errors cancel along the side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge.encoding import YCC_OF_BGR
from vision.edge.windows import Window

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NEAR_PX = 4.0  # of a side's middle: lines farther off than blur and width reach do not matter to it
SWEEP_PX = 6.0  # a line leans less than this over half of a side
SPARE_PX = 2.0
REACH_PX = 4.0  # from a bar's middle: what tells its shape
STEPS = 8
BLUR_U_PX = 0.3  # of a bar's edges, before it is seen
START_WIDTH2 = 1.2
LEAST_WIDTH2 = 0.1  # px^2; narrower bars cannot be told from lines without width
MOST_VARIANCE = 3.0  # px^2, of a bar that REACH_PX still shows whole
CLEAR = 8.0  # standard errors of a bar's mass: chance among hundreds of places makes four
CROSSED = 2.0  # times the usual variance of what bars do not explain: there lies something else
FEWEST = 60  # pixels that tell a bar
LEAST, MOST = np.array([-np.inf, -1.0, 0.16, 0.4]), np.array([np.inf, 1.0, MOST_VARIANCE, 2.5])
STEP = 1e-3
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, eq=False, slots=True)
class Bars:
    """The pixels that show bars along sides: which of a window's they are, and what they show.

    A bar's light over the mat's beside it is `light` over its width, behind the blur.
    """

    pixels: Ints  # (K,) of the window
    away_px: Floats  # (K,) outward of the bar's middle
    away_u_px: Floats  # (K,)
    variance: Floats  # (K,) px^2, of the bar as it is seen
    variance_u: Floats  # (K,)
    slope: Floats  # (K,) of its profile outward per px, as differences of pixels show it
    light: Floats  # (3, K) linear blue green red, times px

    def beside(self, side: Ints, count: int) -> NDArray[np.bool_]:
        """(S,) which of `count` sides have a bar; `side` (N,) are the sides of the window's pixels."""
        return np.bincount(side[self.pixels], minlength=count) > 0

    def within(self, run: slice) -> Bars:
        """Those of a run of the window's pixels, numbered from its first on."""
        first, last = np.searchsorted(self.pixels, [run.start, run.stop])
        own = slice(int(first), int(last))
        return Bars(
            self.pixels[own] - run.start,
            self.away_px[own],
            self.away_u_px[own],
            self.variance[own],
            self.variance_u[own],
            self.slope[own],
            self.light[:, own],
        )

    def doubted(self, blur_px: float, blur_u_px: float) -> tuple[Bars, ...]:
        """The same bars a standard uncertainty wider, and as much farther out.

        `blur_px` is the picture's blur, from which a side's may differ by `blur_u_px`.
        """
        if not len(self.pixels):
            return ()
        wider = self.variance + np.hypot(self.variance_u, 2.0 * blur_px * blur_u_px)
        return replace(self, variance=wider), replace(self, away_px=self.away_px - self.away_u_px)

    def mend(
        self, distance_px: Floats, foot_px: Floats | float, blur_px: Floats | float, usual_px: float
    ) -> tuple[Floats, Floats, Floats]:
        """What is to be added to M V + s^2 M' g, in units of `light`; its slopes by distance and by blur; (K,) each.

        At distances (K,) outward of the cloth's edge, the mat showing from `foot_px` outward of it; that and the blur
        are one, or (K,). How wide a bar is follows from the picture's `usual_px` blur: a side's own is hard to tell
        from the width.
        """
        width = np.sqrt(np.maximum(12.0 * (self.variance - usual_px**2), LEAST_WIDTH2))
        here, by_distance = self._mend(distance_px, foot_px, blur_px, width)
        there, _ = self._mend(distance_px, foot_px, blur_px - STEP, width)
        return here, by_distance, (here - there) / STEP

    def _mend(self, e: Floats, foot: Floats | float, s: Floats | float, width: Floats) -> tuple[Floats, Floats]:
        bar = _bar(self.away_px, width, s)
        low, high = e - self.away_px - width / 2.0, e - self.away_px + width / 2.0
        z_low, z_high = (e - np.maximum(low, foot)) / s, (e - np.maximum(high, foot)) / s
        visible = (ndtr(z_low) - ndtr(z_high)) / width
        cut = np.where((low < foot) & (high > foot), _density(z_low, s) / width, 0.0)
        edge = self.slope * _density(e / s, s)
        z_foot = (e - foot) / s
        mend = visible - bar * ndtr(z_foot) - s * s * edge
        by_distance = cut - bar * _density(z_foot, s) + e * edge
        return mend, by_distance


_NONE = np.empty(0)
NO_BARS = Bars(np.empty(0, np.int64), _NONE, _NONE, _NONE, _NONE, _NONE, np.empty((3, 0)))


def find_bars(window: Window, outward_px: Floats, blur_px: float, where: NDArray[np.bool_]) -> Bars:
    """The bar that runs along each side of a window, where there clearly is one, one a side at most.

    `outward_px` (S, 2) points across the sides in the picture; `blur_px` is what the blur is about; only sides
    `where` (S,) are looked at.
    """
    luma = YCC_OF_BGR[0] @ window.bare
    found = [
        _found(window, run, luma[run], outward, blur_px)
        for run, outward, looked_at in zip(window.runs, outward_px, where, strict=True)
        if looked_at and run.stop - run.start >= FEWEST
    ]
    bars = [bar for bar in found if bar is not None]
    if not bars:
        return NO_BARS
    return Bars(
        np.concatenate([bar.pixels for bar in bars]),
        np.concatenate([bar.away_px for bar in bars]),
        np.concatenate([bar.away_u_px for bar in bars]),
        np.concatenate([bar.variance for bar in bars]),
        np.concatenate([bar.variance_u for bar in bars]),
        np.concatenate([bar.slope for bar in bars]),
        np.concatenate([bar.light for bar in bars], axis=1),
    )


def _found(window: Window, run: slice, luma: Floats, outward: Floats, blur_px: float) -> Bars | None:
    """The bar beside one side, whose pixels are `run` and look like `luma` (N,)."""
    across, along = window.across_px[run], window.along_px[run]
    bins = np.searchsorted(window.bin_starts, np.arange(run.start, run.stop), side="right") - 1
    bins = bins - bins[0]
    centre, lean = _likeliest(across, along, luma, bins)
    line = np.array([centre, lean, blur_px**2 + START_WIDTH2 / 12.0, blur_px])  # middle, lean, variance, blur
    for step in range(STEPS + 1):
        away = across - line[0] - line[1] * along
        near = np.flatnonzero(np.abs(away) < REACH_PX)
        if len(near) < FEWEST or abs(line[0]) > NEAR_PX + SPARE_PX:
            return None
        away = away[near]
        fit = _Profiles(bins[near], away, _shape(away, line[2], line[3]))
        masses, rest = fit.of(luma[near])
        weights = fit.weights(rest)
        if not fit.clear(luma[near], weights):
            return None
        by = _slopes(away, line, fit.shape) * masses
        by[1] *= along[near]
        free = np.stack([fit.of(one)[1] for one in by]) * weights
        normal, pull = free @ by.T, free @ rest
        normal[3, 3] += 1.0 / BLUR_U_PX**2
        pull[3] += (blur_px - line[3]) / BLUR_U_PX**2
        if step < STEPS:
            change = np.linalg.solve(normal + np.diag([1e-6, 1e-6, 1e-6, 0.0]), pull)
            size = abs(change[0]) + abs(change[1]) * float(np.abs(along).max())
            line = np.clip(line + change * min(1.0, 1.0 / (size + 1e-9)), LEAST, MOST)
    light = np.stack([fit.of(channel)[0] for channel in window.bare[:, run][:, near]])
    ahead, back = (np.stack([_shape(away + sign * n, line[2], line[3]) for n in outward]) for sign in (1.0, -1.0))
    covariance = np.linalg.inv(normal + np.diag([1e-6, 1e-6, 1e-6, 0.0]))
    middle_u, variance, variance_u = (
        np.full(len(near), one) for one in (math.sqrt(covariance[0, 0]), line[2], math.sqrt(covariance[2, 2]))
    )
    slope = np.asarray(outward @ (ahead - back) / 2.0)
    return Bars(near + run.start, away, middle_u, variance, variance_u, slope, light)


def _slopes(away: Floats, line: Floats, shape: Floats) -> Floats:
    """(4, N): of a bar's profile by its middle (twice: the lean's is that times the place along), variance, blur."""
    by_middle = (_shape(away - STEP, line[2], line[3]) - shape) / STEP
    by_variance = (_shape(away, line[2] + STEP, line[3]) - shape) / STEP
    by_blur = (_shape(away, line[2], line[3] + STEP) - shape) / STEP
    return np.stack([by_middle, by_middle, by_variance, by_blur])


class _Profiles:
    """In each bin along a side: an even level, a slope across and a bar of a given shape, by least squares."""

    def __init__(self, bins: Ints, away: Floats, shape: Floats) -> None:
        self._bins, self.shape = bins, shape
        self._count = int(bins[-1]) + 1
        self._basis = np.stack([np.ones_like(away), away / REACH_PX, shape])
        normal = self._sums(self._basis[:, None] * self._basis[None])
        normal += np.diag([1e-6, 1e-2, 1e-3])
        self._inverse = np.asarray(np.linalg.inv(normal), np.float64)

    def _sums(self, values: Floats) -> Floats:
        rows = values.reshape(-1, values.shape[-1])
        sums = np.stack([np.bincount(self._bins, row, self._count) for row in rows], axis=1)
        return np.asarray(sums.reshape(self._count, *values.shape[:-1]), np.float64)

    def _solved(self, values: Floats) -> Floats:
        return np.asarray(np.einsum("jkl,jl->jk", self._inverse, self._sums(self._basis * values)))

    def of(self, values: Floats) -> tuple[Floats, Floats]:
        """(N,) the bar's mass in each pixel's bin, and (N,) what the three do not explain."""
        parts = self._solved(values)[self._bins]
        return parts[:, 2], values - np.sum(parts.T * self._basis, axis=0)

    def weights(self, rest: Floats) -> Floats:
        """(N,) of residuals: one over their variance; less in the few bins where another line crosses."""
        freedom = np.maximum(np.bincount(self._bins, minlength=self._count) - 3.0, 1.0)
        of_bins = np.bincount(self._bins, rest * rest, self._count) / freedom
        usual = float(np.median(of_bins)) + 1e-12
        return np.asarray((np.minimum(1.0, CROSSED * usual / (of_bins + 1e-12)) ** 2 / usual)[self._bins])

    def clear(self, values: Floats, weights: Floats) -> bool:
        """Whether the bar is told from nothing by all bins together."""
        information = 1.0 / self._inverse[:, 2, 2]
        total = float(information.sum())
        mean = float(np.sum(information * self._solved(values)[:, 2])) / total
        return abs(mean) * math.sqrt(total * float(np.median(weights))) > CLEAR


def _likeliest(across: Floats, along: Floats, luma: Floats, bins: Ints) -> tuple[float, float]:
    """Middle and lean of the line that stands out most, of all that lie near the side."""
    first = math.floor(across.min()) - 1
    cells = math.ceil(across.max()) - first + 2
    place = across - first
    low = place.astype(np.int64)
    share = place - low
    rows = int(bins[-1]) + 1
    size = rows * cells
    weight = np.bincount(bins * cells + low, 1.0 - share, size) + np.bincount(bins * cells + low + 1, share, size)
    total = np.bincount(bins * cells + low, (1.0 - share) * luma, size)
    total += np.bincount(bins * cells + low + 1, share * luma, size)
    level = np.bincount(bins, luma, rows) / np.bincount(bins, minlength=rows)
    middles = np.bincount(bins, along, rows) / np.bincount(bins, minlength=rows)
    profile = (total - np.repeat(level, cells) * weight) / np.maximum(weight, 0.5)
    leans = np.linspace(-1.0, 1.0, 17) * SWEEP_PX / max(float(np.abs(middles).max()), 1.0)
    centres = np.arange(-NEAR_PX - 2.0, NEAR_PX + 2.25, 0.5)
    at = centres[:, None] + leans[:, None, None] * middles - first  # (leans, centres, rows)
    at = np.clip(at, 0.0, cells - 1.001)
    low = at.astype(np.int64)
    index = np.arange(rows) * cells + low
    sums = np.mean(profile[index] + (at - low) * (profile[index + 1] - profile[index]), axis=2)
    stands_out = sums[:, 4:-4] - (sums[:, :-8] + sums[:, 8:]) / 2.0
    k, c = np.unravel_index(np.argmax(np.abs(stands_out)), stands_out.shape)
    return float(centres[c + 4]), float(leans[k])


def _shape(away: Floats, variance: float, blur: float) -> Floats:
    """A bar's profile at distances (N,) from its middle, its sum 1."""
    s = min(blur, math.sqrt(variance - LEAST_WIDTH2 / 12.0))
    return _bar(away, math.sqrt(12.0 * (variance - s * s)), s)


def _density(z: Floats, s: Floats | float) -> Floats:
    """Per px, `z` standard deviations of `s` px away."""
    return np.asarray(np.exp(-0.5 * z * z) / (ROOT_TWO_PI * s))


def _bar(away: Floats, width: Floats | float, s: Floats | float) -> Floats:
    """A blurred bar's profile, its sum 1."""
    return np.asarray((ndtr((away + width / 2.0) / s) - ndtr((away - width / 2.0) / s)) / width)
