"""The light across a seam, and its least-squares fit: two fabrics that meet, perhaps over a fold.

At `e` px beyond the seam linear light is a blend of both fabrics behind the lens' blur s:

    I = F [ A(e) - a S(-e) ] + G [ 1 - A(e) - b S(e) ]
    A(e) = Phi(-e / s),   S(e) = Phi((e - g) / s) - Phi((e - g - w) / s)

F and G are the fabrics' light in each short bin along the seam. A seam allowance that is pressed to one side, or open,
lifts the cloth there; within about two thicknesses w, from some way g off the seam on, the cloth then rises. It gets
less of a light from above, and more of one that it faces: a and b are unknown, and of either sign. What is compared
is this light as the camera writes it down (`encoding`).

Where two fabrics hardly differ, a fold's light beside the seam looks much like the seam itself, a fold's width away.
So the fit is begun there, too, and with no fold; the seam is the mean of all that is found, weighed by evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.model.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder
from vision.edge.model.light import COLOUR_BLUR
from vision.edge.model.seamlight import (
    MOSTLY,
    NORMAL,
    Camera,
    Levels,
    Pixels,
    Seen,
    Sums,
    equations,
    levels_after,
    predicted,
    row_scores,
    variance_of,
)
from vision.edge.model.unevenness import uneven_variance
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import Window
from vision.edge.weighing import MODEL_ERROR

Floats = NDArray[np.float64]

# A rise of 0.3 mm within 0.7 mm takes 8 % of a light from above, and gives as much of one at 45 degrees that it faces.
DIP_U, NO_DIP_U = 0.06, 0.02  # of a fold, of none
WIDTH_MM, WIDTH_U_MM = 0.7, 0.25
GAP_MM, GAP_U_MM = 0.2, 0.15  # from the seam to where its fold begins: the stitches hold the cloth down
BEGUN_AT = (0.0, -1.5, 1.5)  # fold's widths from where no fold leaves the seam
CLEAR = 0.15  # of the encoded luma: no fold changes light by half as much, and none is taken for a step of so much
LEAST, MOST = np.array([-20.0, -0.5, -0.2, -0.2, 0.2, 0.0]), np.array([20.0, 0.5, 0.4, 0.4, 4.0, 4.0])
FREE = 0.3  # of the encoded range: nothing is known of a level
HELD = 1e8  # precision of what is not asked
MOST_STEP_PX = 1.0
SETTLED_PX = 0.002  # a step of less changes nothing
FIRST_STEPS = 3  # before which the residuals' spread is not known yet
FAR_OFF = 10.0  # standard deviations: no residual says more
AT_FIRST = 0.5  # of the step that a seam must have is asked for before anything is fitted
ALIKE, FINE_ROWS = 2.0, 4  # within so many blurs neighbouring rows see much the same; parts that those are taken in
EVEN = np.zeros((2, 3, 2))  # of fabrics of which nothing is known
SCAN_PX, SCAN_RIM = 0.5, 4  # steps of a first look for the place, and how many of them are left out at either end


@dataclass(frozen=True, slots=True)
class Blurs:
    """Of the picture, standard deviations in px: of luma, and the colours' further one."""

    luma_px: float
    chroma_px: float = 1.0


@dataclass(frozen=True, eq=False, slots=True)
class SeamLine:
    """A seam beside its window's line: offset (px, outward) and turn (px per px), and their covariance (2, 2).

    `step` is the greatest channel's mean step over its standard error between the bins, as if that were known for sure.
    """

    offset_px: float
    turn: float
    covariance: Floats
    step: float
    unrest: float  # how much either fabric varies, in standard deviations of the noise
    dips: Floats  # (2,) inner and outer


@dataclass(frozen=True, eq=False, slots=True)
class _Equations:
    """With the priors."""

    sums: Sums
    normal: Floats  # (6, 6)
    gradient: Floats  # (6,)


@dataclass(frozen=True, eq=False, slots=True)
class _State:
    unknown: Floats  # (6,)
    levels: Levels
    variance: Floats  # (3, N)


class SeamSolver:
    """Gauss-Newton for one seam; both fabrics' levels of each bin are eliminated within each step.

    `uneven` (2, 3, D) is how the fabrics' own places differ (`unevenness.differences`). `known_px` is the uncertainty
    with which the seam is known to lie on the window's line, at its middle and at its ends.
    """

    def __init__(
        self,
        window: Window,
        blurs: Blurs,
        noise: Noise,
        encoder: Encoder,
        px_per_mm: float,
        uneven: Floats = EVEN,
        known_px: float = math.inf,
    ) -> None:
        self.uneven = uneven
        self.w, self.noise = window, np.array([noise.sd, noise.together])
        self.floor = self.noise[0]
        self.bin = window.bin_of
        reaches, parts = np.array(list(zip(*COLOUR_BLUR, strict=True)))
        tables = encoder.linear, encoder.encoded, encoder.slope, NORMAL
        self.camera = Camera(
            blurs.luma_px, reaches * blurs.chroma_px, parts, YCC_OF_BGR, np.array(BGR_OF_YCC, np.float64), *tables
        )
        self.pixels = Pixels(window.across_px, window.along_px, self.bin, np.ascontiguousarray(window.seen))
        self.prior = np.array([0.0, 0.0, 0.0, 0.0, WIDTH_MM * px_per_mm, GAP_MM * px_per_mm])
        half_px = float(np.ptp(window.along_px)) / 2.0
        place = np.array([1e-6, 1e-3]) + np.array([1.0, half_px**2]) / known_px**2
        self.precision = np.array(
            [*place, DIP_U**-2, DIP_U**-2, (WIDTH_U_MM * px_per_mm) ** -2, (GAP_U_MM * px_per_mm) ** -2]
        )

    def solve(self, steps: int, least_step: float, folded: bool = True) -> SeamLine | None:
        """The seam near the window's line; the fold is only asked about where the line is nearly right.

        None where the means of both sides differ by far less than `least_step` standard errors to begin with.
        """
        unknown = self.prior.copy()
        if not folded:
            self.precision[2:] = HELD
            unknown[0] = self._likeliest_px()
        first = self._first_levels(unknown[0])
        levels = Levels(first, np.median(first, axis=2), np.full((2, 3), FREE))
        if self._step(levels.values) < AT_FIRST * least_step:
            return None
        start = _State(unknown, levels, np.tile(4.0 * self.floor[:, None] ** 2, self.w.seen.shape[1]))
        state, eq, _ = self._settled(start, steps, learning=True)
        if not folded:
            return self._line([(state, eq, 0.0)])
        tries = []
        for width in BEGUN_AT[:1] if _is_clear(state.levels.mean) else BEGUN_AT:
            for dip_u in (DIP_U, NO_DIP_U):
                self.precision[2:4] = dip_u**-2.0
                place = state.unknown[0] + width * self.prior[4], state.unknown[1]
                start = replace(state, unknown=np.array([*place, *self.prior[2:]]))
                tries.append(self._settled(start, steps, learning=False))
        return self._line(tries)

    def _settled(self, state: _State, steps: int, learning: bool) -> tuple[_State, _Equations, float]:
        """After some steps; where not `learning`, what is known of the residuals and the levels' spread stays."""
        unknown, levels, variance = state.unknown, state.levels, state.variance
        reach = float(np.max(np.abs(self.w.along_px)))
        for step in range(steps + 1):
            at = predicted(self.pixels, unknown, levels.values, self.camera)
            if step and learning:
                variance = variance_of(at, self.pixels, levels.values, self.floor, np.full(3, MODEL_ERROR))
                away = self.pixels.across_px - unknown[0] - unknown[1] * self.pixels.along_px
                variance += uneven_variance(self.uneven, away, at.share)
            eq = self._equations(at, variance, levels, unknown)
            if step == steps:
                break
            change = np.linalg.solve(eq.normal, eq.gradient)
            moved_px = abs(float(change[0])) + abs(float(change[1])) * reach
            if step >= (FIRST_STEPS if learning else 1) and moved_px < SETTLED_PX:
                break
            change *= min(1.0, MOST_STEP_PX / (moved_px + 1e-9))
            levels = levels_after(levels, eq.sums, np.asarray(change, np.float64), learning)
            unknown = np.clip(unknown + change, LEAST, MOST)
        cost = eq.sums.cost + np.sum(self.precision * (unknown - self.prior) ** 2)
        evidence = -0.5 * (float(cost) + float(np.linalg.slogdet(eq.normal)[1]) - float(np.sum(np.log(self.precision))))
        return _State(unknown, levels, variance), eq, evidence

    def _likeliest_px(self) -> float:
        """The place across the seam at which two levels in each bin explain most: a poor start settles elsewhere."""
        low, high = float(self.w.across_px.min()), float(self.w.across_px.max())
        count = max(2, round((high - low) / SCAN_PX))
        place = np.minimum(((self.w.across_px - low) / (high - low) * count).astype(np.int64), count - 1)
        shape = (len(self.w.bin_side), count)
        key = self.bin * count + place
        sums = [np.bincount(key, one, shape[0] * count).reshape(shape) for one in (np.ones(len(key)), *self.w.seen)]
        number, *values = (np.cumsum(one, axis=1) for one in sums)
        rest, gain = number[:, -1:] - number, np.zeros(count)
        for value, floor in zip(values, self.floor, strict=True):
            beyond = value[:, -1:] - value
            explained = value**2 / np.maximum(number, 1.0) + beyond**2 / np.maximum(rest, 1.0)
            gain += explained.sum(axis=0) / floor**2
        inner = gain[SCAN_RIM : count - SCAN_RIM]
        return low + (SCAN_RIM + int(np.argmax(inner)) + 1) * (high - low) / count if len(inner) else 0.0

    def _first_levels(self, offset_px: float) -> Floats:
        levels = np.empty((2, 3, len(self.w.bin_side)))
        for k, way in enumerate((-1.0, 1.0)):
            deep = way * (self.w.across_px - offset_px) > 1.5
            count = np.bincount(self.bin[deep], minlength=levels.shape[2])
            for c in range(3):
                mean = float(self.w.seen[c, deep].mean()) if deep.any() else float(self.w.seen[c].mean())
                total = np.bincount(self.bin[deep], self.w.seen[c, deep], levels.shape[2])
                levels[k, c] = np.where(count > 2, total / np.maximum(count, 1), mean)
        return levels

    def _equations(self, at: Seen, variance: Floats, levels: Levels, unknown: Floats) -> _Equations:
        sums = equations(at, self.pixels, variance, self.noise, levels)
        normal = sums.normal + np.diag(self.precision)
        gradient = sums.scores.sum(axis=1) + self.precision * (self.prior - unknown)
        return _Equations(sums, normal, gradient)

    def _line(self, tries: list[tuple[_State, _Equations, float]]) -> SeamLine:
        """The mean of what was tried, each weighted by its evidence.

        Pixels that err alike say less than as many others: their evidence counts for as much less as their variance
        does (M. Ribatet, D. Cooley, A. C. Davison, Bayesian inference from composite likelihoods, Statistica Sinica 22,
        2012, from memory).
        """
        told = [self._covariance(state, eq) for state, eq, _ in tries]
        evidence = np.array([one for _, _, one in tries]) / float(np.mean([more for _, more in told]))
        odds = np.exp(evidence - evidence.max())
        odds /= odds.sum()
        found = np.array([state.unknown for state, _, _ in tries])
        mean = odds @ found
        off = (found - mean)[:, :2]
        covariance = np.einsum("k,kij->ij", odds, np.array([one for one, _ in told]))
        covariance = covariance + np.einsum("k,ki,kj->ij", odds, off, off)
        state, _, _ = tries[int(np.argmax(odds))]
        step, unrest = self._step(state.levels.values), self._unrest(state)
        return SeamLine(float(mean[0]), float(mean[1]), covariance, step, unrest, mean[2:4])

    def _step(self, levels: Floats) -> float:
        """How far two fabrics' levels (2, 3, B) differ, in standard errors over the bins, were these known for sure."""
        count, steps = levels.shape[2], levels[0] - levels[1]  # (3, B)
        if count < 3:
            return 0.0
        error = np.hypot(steps.std(axis=1, ddof=1), self.floor) / math.sqrt(count)
        return as_if_sure(float(np.max(np.abs(steps.mean(axis=1)) / error)), count - 1)

    def _unrest(self, state: _State) -> float:
        """The greater of how both fabrics' luma varies from bin to bin and within, over the noise."""
        at = predicted(self.pixels, state.unknown, state.levels.values, self.camera)
        rest, most = (self.pixels.seen[0] - at.seen[0]) / self.floor[0], 0.0
        for k, share in enumerate((at.share[0], 1.0 - at.share[0])):
            own = np.minimum(rest[share > MOSTLY] ** 2, FAR_OFF**2)
            within = float(own.mean()) if len(own) else 0.0
            most = max(most, math.sqrt(within + float(state.levels.u[k, 0] / self.floor[0]) ** 2))
        return most

    def _covariance(self, state: _State, eq: _Equations) -> tuple[Floats, float]:
        """(2, 2) of offset and turn; where bins, or rows, disagree by more than the model says, by that much more.

        And how much more the offset's variance is.

        A stripe beside the seam errs alike in all bins, and so speaks with one voice in a row along it: clusters of two
        ways (A. C. Cameron, J. B. Gelbach, D. L. Miller, Robust inference with multiway clustering, Journal of Business
        and Economic Statistics 29, 2011, from memory), the mean of all ways to lay rows.
        """
        inverse = np.linalg.inv(eq.normal)
        at = predicted(self.pixels, state.unknown, state.levels.values, self.camera)
        across = self.pixels.across_px - state.unknown[0] - state.unknown[1] * self.pixels.along_px
        row = np.floor((across - across.min()) / (ALIKE * self.camera.blur_px / FINE_ROWS)).astype(np.int64)
        rows = int(row.max()) + 1
        by_row = row_scores(at, self.pixels, state.variance, self.noise, eq.sums, row, rows)
        apart = np.abs(np.subtract.outer(np.arange(rows), np.arange(rows))) / FINE_ROWS
        more = np.ones(2)
        for scores, together, count in (
            (eq.sums.scores, np.eye(eq.sums.scores.shape[1]), eq.sums.scores.shape[1]),
            (by_row, np.maximum(1.0 - apart, 0.0), rows / FINE_ROWS),
        ):
            clustered = inverse @ (scores @ together @ scores.T) @ inverse * count / max(count - 2.0, 1.0)
            more += np.maximum(np.diag(clustered) / np.diag(inverse), 1.0)[:2] - 1.0
        return np.asarray(inverse[:2, :2] * np.sqrt(np.outer(more, more))), float(more[0])


def _is_clear(levels: Floats) -> bool:
    """Whether two fabrics' mean `levels` (2, 3) differ by more than any fold changes light."""
    return float(np.abs(levels[0] - levels[1]).max()) > CLEAR * float(levels[:, 0].max())


def as_if_sure(errors: float, degrees: int) -> float:
    """As many standard errors as are as rare as `errors` whose size is known from so many degrees of freedom only.

    Wallace's approximation of Student's distribution by the normal one, to a hundredth of it (D. L. Wallace, Bounds on
    normal approximations to Student's and the chi-square distributions, Annals of Mathematical Statistics 30, 1959,
    from memory).
    """
    return (8.0 * degrees + 1.0) / (8.0 * degrees + 3.0) * math.sqrt(degrees * math.log1p(errors**2 / degrees))
