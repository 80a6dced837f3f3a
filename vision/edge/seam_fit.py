"""The light across a seam, and its least-squares fit: two fabrics that meet, perhaps over a fold.

At `e` px beyond the seam linear light is a blend of both fabrics behind the lens' blur s:

    I = F [ A(e) - a S(-e) ] + G [ 1 - A(e) - b S(e) ],   A(e) = Phi(-e / s),   S(e) = Phi(e / s) - Phi((e - w) / s)

F and G are the fabrics' light in each short bin along the seam. A seam allowance that is pressed to one side lifts the
cloth there; within about two thicknesses w of the seam the cloth then rises, and gets less of a light from above: the
cosine of its slope. On which side that is, and how much, is not known, so a and b are unknown, each with what is
possible as its prior. What is compared is this light as the camera writes it down (`encoding`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder
from vision.edge.fit import MODEL_ERROR
from vision.edge.levels import HUBER, eliminate, pixel_weights
from vision.edge.light import COLOUR_BLUR
from vision.edge.noise import Noise
from vision.edge.windows import Window
from vision.medians import median

Floats = NDArray[np.float64]

UNKNOWN = ("offset", "turn", "inner", "outer", "width")
# A rise of 0.3 mm within 0.7 mm takes 8 % of the light from above: on one side, on the other, or on none.
DIP, DIP_U = 0.03, 0.05
WIDTH_MM, WIDTH_U_MM = 0.7, 0.25
# No fold, one on the inner side, one on the outer: dips and their doubts.
HYPOTHESES = (((0.0, 0.0), (0.02, 0.02)), ((0.08, 0.0), (0.05, 0.02)), ((0.0, 0.08), (0.02, 0.05)))
LEAST, MOST = np.array([-20.0, -0.5, -0.2, -0.2, 0.2]), np.array([20.0, 0.5, 0.4, 0.4, 4.0])
HELD = 1e8  # precision of what is not asked
MOST_STEP_PX = 1.0
SETTLED_PX = 0.002  # a step of less changes nothing
FIRST_STEPS = 3  # before which the residuals' spread is not known yet
AT_FIRST = 0.5  # of the step that a seam must have is asked for before anything is fitted
SCAN_PX, SCAN_RIM = 0.5, 4  # steps of a first look for the place, and how many of them are left out at either end
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Blurs:
    """Of the picture, standard deviations in px: of luma, and the colours' further one."""

    luma_px: float
    chroma_px: float = 1.0


@dataclass(frozen=True, eq=False, slots=True)
class SeamLine:
    """A seam beside its window's line: offset (px, outward) and turn (px per px), and their covariance (2, 2).

    `step` is the greatest channel's mean step over its standard error between the bins.
    """

    offset_px: float
    turn: float
    covariance: Floats
    step: float
    dips: Floats  # (2,) inner and outer


@dataclass(frozen=True, eq=False, slots=True)
class _Seen:
    seen: Floats  # (3, N) as predicted
    slopes: Floats  # (5, 3, N) by the unknowns
    by_level: Floats  # (2, 3, N) by the bin's encoded levels, inner and outer
    share: Floats  # (2, N) of the inner fabric, at the luma's and at the colours' blur


@dataclass(frozen=True, eq=False, slots=True)
class _Equations:
    normal: Floats  # (5, 5), levels eliminated, with the priors
    gradient: Floats  # (5,)
    scores: Floats  # (5, B)
    inverse: Floats  # (2, 2, 3, B) covariance of the levels
    top: Floats  # (2, 3, B)
    cross: Floats  # (2, 5, 3, B)


class _Levels:
    """Both fabrics' encoded levels in each bin (2, 3, B), their means and spreads along the seam."""

    def __init__(self, values: Floats) -> None:
        self.values = values
        self.mean = np.repeat(np.median(values, axis=2, keepdims=True), values.shape[2], axis=2)
        self.u = np.full_like(values, 0.3)

    def copy(self) -> _Levels:
        other = _Levels(self.values)
        other.mean, other.u = self.mean, self.u
        return other

    def follow(self, values: Floats, inverse: Floats, learning: bool) -> None:
        """Take new values, and learn how they spread along the seam."""
        self.values = np.clip(values, [[[0.0], [-0.5], [-0.5]]] * 2, [[[1.0], [0.5], [0.5]]] * 2)
        if not learning:
            return
        doubt = np.stack([inverse[0, 0], inverse[1, 1]])
        weight = 1.0 / np.maximum(doubt, np.median(doubt, axis=2, keepdims=True))
        weight = weight / weight.sum(axis=2, keepdims=True)
        mean = np.sum(weight * self.values, axis=2, keepdims=True)
        count = self.values.shape[2]
        variance = np.sum(weight * (self.values - mean) ** 2, axis=2, keepdims=True) * count / max(count - 1.0, 1.0)
        self.mean, self.u = np.broadcast_to(mean, values.shape), np.broadcast_to(np.sqrt(variance + 1e-6), values.shape)


@dataclass(frozen=True, eq=False, slots=True)
class _State:
    unknown: Floats  # (5,)
    levels: _Levels
    variance: Floats  # (3, N)


class SeamSolver:
    """Gauss-Newton for one seam; both fabrics' levels of each bin are eliminated within each step."""

    def __init__(self, window: Window, blurs: Blurs, noise: Noise, encoder: Encoder, px_per_mm: float) -> None:
        self.w, self.blurs, self.encoder = window, blurs, encoder
        self.floor, self.together = np.array(noise.sd)[:, None], np.array(noise.together)[:, None]
        self.bin = np.repeat(np.arange(len(window.bin_starts)), np.diff([*window.bin_starts, len(window.side)]))
        self.prior = np.array([0.0, 0.0, DIP, DIP, WIDTH_MM * px_per_mm])
        self.precision = np.array([1e-6, 1e-3, DIP_U**-2, DIP_U**-2, (WIDTH_U_MM * px_per_mm) ** -2])

    def solve(self, steps: int, least_step: float, folded: bool = True) -> SeamLine | None:
        """The seam near the window's line; the fold is only asked about where the line is nearly right.

        None where the means of both sides differ by far less than `least_step` standard errors to begin with.
        """
        unknown = self.prior.copy()
        if not folded:
            self.precision[2:] = HELD
            unknown[0] = self._likeliest_px()
        levels = _Levels(self._first_levels(unknown[0]))
        if self._step(levels.values) < AT_FIRST * least_step:
            return None
        start = _State(unknown, levels, np.broadcast_to(4.0 * self.floor**2, self.w.seen.shape))
        state, eq, _ = self._settled(start, steps, learning=True)
        if not folded:
            return self._line([(state, eq, 0.0)])
        tries = []
        for dips, doubts in HYPOTHESES:
            self.prior[2:4], self.precision[2:4] = dips, np.array(doubts) ** -2.0
            first = replace(state, unknown=np.array([*state.unknown[:2], *dips, state.unknown[4]]))
            tries.append(self._settled(first, steps, learning=False))
        return self._line(tries)

    def _settled(self, state: _State, steps: int, learning: bool) -> tuple[_State, _Equations, float]:
        """After some steps; where not `learning`, what is known of the residuals and the levels' spread stays."""
        unknown, levels, variance = state.unknown, state.levels.copy(), state.variance
        reach = float(np.max(np.abs(self.w.along_px)))
        for step in range(steps + 1):
            at = self._predict(unknown, levels.values)
            rest = self.w.seen - at.seen
            if step and learning:
                variance = self._variance(at, rest, levels.values)
            weights, lone = pixel_weights(rest, variance, self.floor, self.together)
            eq = self._equations(at, rest, weights, levels, unknown)
            if step == steps:
                break
            change = np.linalg.solve(eq.normal, eq.gradient)
            moved_px = abs(float(change[0])) + abs(float(change[1])) * reach
            if step >= (FIRST_STEPS if learning else 1) and moved_px < SETTLED_PX:
                break
            change *= min(1.0, MOST_STEP_PX / (moved_px + 1e-9))
            top = eq.top - np.einsum("lxkb,x->lkb", eq.cross, change)
            levels.follow(levels.values + np.einsum("lmkb,mkb->lkb", eq.inverse, top), eq.inverse, learning)
            unknown = np.clip(unknown + change, LEAST, MOST)
        r = np.abs(rest) / np.sqrt(variance)
        cost = np.sum(lone * np.where(r < HUBER, r * r, HUBER * (2.0 * r - HUBER)))
        cost += np.sum(((levels.values - levels.mean) / levels.u) ** 2)
        cost += np.sum(self.precision * (unknown - self.prior) ** 2)
        evidence = -0.5 * (float(cost) + float(np.linalg.slogdet(eq.normal)[1]) - float(np.sum(np.log(self.precision))))
        return _State(unknown, levels, variance), eq, evidence

    def _predict(self, unknown: Floats, levels: Floats) -> _Seen:
        w, s = self.w, self.blurs.luma_px
        offset, turn, inner, outer, width = unknown
        e = w.across_px - offset - turn * w.along_px
        light = self.encoder.decode(np.moveaxis(np.tensordot(BGR_OF_YCC, levels, (1, 1)), 0, 1))  # (2, 3, B)
        steep = self.encoder.encode(light)[1][..., self.bin]
        f, g = light[0][:, self.bin], light[1][:, self.bin]
        seen, slopes = np.zeros((3, len(e))), np.zeros((len(UNKNOWN), 3, len(e)))
        by_level, shares = np.zeros((2, 3, len(e))), np.zeros((2, len(e)))
        for reach, part in COLOUR_BLUR:
            away = e + reach * self.blurs.chroma_px
            rows = slice(0 if reach == 0.0 else 1, 3)
            to_seen = YCC_OF_BGR[rows] * np.array([1.0, part, part])[rows, None]
            before, here, after = (ndtr((away + k * width) / s) for k in (1, 0, -1))
            d_before, d_here, d_after = (
                np.exp(-0.5 * ((away + k * width) / s) ** 2) / (ROOT_TWO_PI * s) for k in (1, 0, -1)
            )
            of_f, of_g = 1.0 - here - inner * (before - here), here - outer * (here - after)
            encoded, steepness = self.encoder.encode(f * of_f + g * of_g)
            by_e = f * (-d_here - inner * (d_before - d_here)) + g * (d_here - outer * (d_here - d_after))
            seen[rows] += to_seen @ encoded
            slopes[0, rows] -= to_seen @ (steepness * by_e)
            slopes[2, rows] -= to_seen @ (steepness * f * (before - here))
            slopes[3, rows] -= to_seen @ (steepness * g * (here - after))
            slopes[4, rows] -= to_seen @ (steepness * (inner * f * d_before + outer * g * d_after))
            counts = np.array([1.0, part, part])[rows, None]
            for k, share in enumerate((of_f, of_g)):
                by_level[k, rows] += counts * share * (YCC_OF_BGR[0] @ (steepness / steep[k]))
            shares[1] += part * (1.0 - here)
            if reach == 0.0:
                shares[0] = 1.0 - here
        slopes[1] = slopes[0] * w.along_px
        return _Seen(seen, slopes, by_level, shares)

    def _likeliest_px(self) -> float:
        """The place across the seam at which two levels in each bin explain most: a poor start settles elsewhere."""
        low, high = float(self.w.across_px.min()), float(self.w.across_px.max())
        count = max(2, round((high - low) / SCAN_PX))
        place = np.minimum(((self.w.across_px - low) / (high - low) * count).astype(np.int64), count - 1)
        shape = (len(self.w.bin_starts), count)
        key = self.bin * count + place
        sums = [np.bincount(key, one, shape[0] * count).reshape(shape) for one in (np.ones(len(key)), *self.w.seen)]
        number, *values = (np.cumsum(one, axis=1) for one in sums)
        rest, gain = number[:, -1:] - number, np.zeros(count)
        for value, floor in zip(values, self.floor[:, 0], strict=True):
            beyond = value[:, -1:] - value
            explained = value**2 / np.maximum(number, 1.0) + beyond**2 / np.maximum(rest, 1.0)
            gain += explained.sum(axis=0) / floor**2
        inner = gain[SCAN_RIM : count - SCAN_RIM]
        return low + (SCAN_RIM + int(np.argmax(inner)) + 1) * (high - low) / count if len(inner) else 0.0

    def _first_levels(self, offset_px: float) -> Floats:
        levels = np.empty((2, 3, len(self.w.bin_starts)))
        for k, way in enumerate((-1.0, 1.0)):
            deep = way * (self.w.across_px - offset_px) > 1.5
            count = np.bincount(self.bin[deep], minlength=levels.shape[2])
            for c in range(3):
                mean = float(self.w.seen[c, deep].mean()) if deep.any() else float(self.w.seen[c].mean())
                total = np.bincount(self.bin[deep], self.w.seen[c, deep], levels.shape[2])
                levels[k, c] = np.where(count > 2, total / np.maximum(count, 1), mean)
        return levels

    def _variance(self, at: _Seen, rest: Floats, levels: Floats) -> Floats:
        """(3, N): from the residuals of each fabric; what the blur's shape does not know counts at the step."""
        variance = np.empty_like(rest)
        step = (levels[0] - levels[1])[:, self.bin]
        for k in range(3):
            share, floor = at.share[min(k, 1)], float(self.floor[k, 0])
            inner, outer = (self._spread(rest[k], own > 0.9, floor) for own in (share, 1.0 - share))
            middle = 4.0 * share * (1.0 - share)
            wrong = step[0] if k == 0 else np.maximum(np.abs(step[0]), np.abs(step[k]))
            variance[k] = share**2 * inner**2 + (1.0 - share) ** 2 * outer**2 + middle * floor**2 / 2.0
            variance[k] += (MODEL_ERROR * wrong * middle) ** 2
        return variance

    def _spread(self, rest: Floats, use: NDArray[np.bool_], floor: float) -> float:
        own = np.abs(rest[use])
        return max(floor, 1.4826 * median(own)) if own.size >= 5 else floor

    def _equations(self, at: _Seen, rest: Floats, weights: Floats, levels: _Levels, unknown: Floats) -> _Equations:
        free = eliminate(
            self.w.bin_starts, at.by_level, at.slopes, rest, weights, levels.u, levels.mean - levels.values
        )
        normal = free.normal.sum(axis=0) + np.diag(self.precision)
        gradient = free.scores.sum(axis=1) + self.precision * (self.prior - unknown)
        return _Equations(normal, gradient, free.scores, free.inverse, free.top, free.cross)

    def _line(self, tries: list[tuple[_State, _Equations, float]]) -> SeamLine:
        """The mean of what was tried, each weighted by its evidence."""
        odds = np.exp(np.array([evidence for _, _, evidence in tries]) - max(evidence for _, _, evidence in tries))
        odds /= odds.sum()
        found = np.array([state.unknown for state, _, _ in tries])
        mean = odds @ found
        off = (found - mean)[:, :2]
        covariance = np.einsum("k,kij->ij", odds, np.array([self._covariance(eq) for _, eq, _ in tries]))
        covariance = covariance + np.einsum("k,ki,kj->ij", odds, off, off)
        levels = tries[int(np.argmax(odds))][0].levels.values
        return SeamLine(float(mean[0]), float(mean[1]), covariance, self._step(levels), mean[2:4])

    def _step(self, levels: Floats) -> float:
        """How far two fabrics' levels (2, 3, B) differ, in standard errors over the bins."""
        count, steps = levels.shape[2], levels[0] - levels[1]  # (3, B)
        if count < 3:
            return 0.0
        error = np.hypot(steps.std(axis=1, ddof=1), self.floor[:, 0]) / math.sqrt(count)
        return float(np.max(np.abs(steps.mean(axis=1)) / error))

    def _covariance(self, eq: _Equations) -> Floats:
        """(2, 2) of offset and turn; where the bins disagree by more than the model says, by that much more."""
        inverse, count = np.linalg.inv(eq.normal), eq.scores.shape[1]
        clustered = inverse @ (eq.scores @ eq.scores.T) @ inverse * count / max(count - 2.0, 1.0)
        grown = np.sqrt(np.maximum(np.diag(clustered) / np.diag(inverse), 1.0))[:2]
        return np.asarray(inverse[:2, :2] * np.outer(grown, grown))
