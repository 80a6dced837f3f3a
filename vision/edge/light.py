"""The light across straight cloth edges, and its least-squares fit for many sides at once.

Across an edge, at `e` px outside it, linear light is a blend of cloth and mat behind the lens' blur s:

    I = F A(e) + G [ M V(e) + s^2 (dM/dn) g(e) ]

A and V are the shares of cloth and mat (`coverage`), g the edge's density. M is the picture of the bare mat at that
very pixel; it is blurred already, and the term with dM/dn mends to first order that blurred mat times blurred mask is
not the blurred product. F is the cloth's light in each short bin along the side (a print changes along it), G one
gain of the mat at this side (shade). What is compared is this light as the camera writes it down (`encoding`): luma
in full, colour differences with a blur of their own. Offset, turn and bow of the side, G and the blurs are solved for
by Gauss-Newton; each bin's cloth level is eliminated within each step (a Schur complement), its prior being the
spread of levels along the side, so that plain cloth pays nothing for them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.cast import CAST_LEAST, CAST_MOST, CastShadow
from vision.edge.common import OWN, OWN_U, SHADOW, Common
from vision.edge.coverage import RimLight
from vision.edge.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder
from vision.edge.equations import Equations
from vision.edge.levels import eliminate, pixel_weights
from vision.edge.noise import Noise
from vision.edge.windows import Axes, Window

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge: what the blur model does not know
MAT_DOUBT = 3.0  # the bare mat may seem so many times as noisy, no more
MOST_STEP_PX = 1.5
MOST_OFFSET_PX = 9.0
OWN_MOST = np.array([MOST_OFFSET_PX, 0.5, 4.0, 3.0, 0.3, 1.0, 0.5])
OWN_LEAST = -OWN_MOST * np.array([1.0, 1.0, 1.0, -0.1, 1.0, 1.0, 1.0])
VALLEY_PX = 1.5  # from where a search found the mat to begin beside a print
CONTRADICTED = 16.0  # chi-square of 4 degrees of freedom that usual light exceeds in 3 of 1000 pictures
FOCUS = OWN.index("focus")
FEWEST_FACING = 3  # sides that can tell a blur of its own way from where they face
LEAST_LAMP = 0.05
SOFT_TURN = 0.1  # of a shadow's strength, over which it sets in as a side turns away from the light
DRAWN = 0.25  # of what levels without order would draw: a print lies between order and none
# Colours are blurred once more when they are written down: places, in standard deviations of that blur, and their
# shares (Gauss-Hermite quadrature of three points).
COLOUR_BLUR = ((0.0, 2.0 / 3.0), (math.sqrt(3.0), 1.0 / 6.0), (-math.sqrt(3.0), 1.0 / 6.0))


@dataclass(frozen=True, eq=False, slots=True)
class Fits:
    """What the fit gives of S sides."""

    own: Floats  # (S, 7), in the order of `OWN`
    own_covariance: Floats  # (S, 3, 3) of offset, turn and bow, were the common unknowns exact
    by_common: Floats  # (S, 3, 7): how offset, turn and bow follow an error of the common unknowns
    common: Common
    colour_share: Floats  # (S,) of what is known of the offset, that comes from the colours
    shadow_doubt: float  # chi-square, 4 degrees of freedom: how much the sides contradict the prior's shadow
    leaning: float  # chi-square, 2 degrees of freedom: how much their blurs differ by where they face


def solve(
    window: Window,
    axes: Axes,
    own: Floats,
    noise: Noise,
    prior: Common,
    encoder: Encoder,
    figures: Floats,
    steps: int,
    valleys_px: Floats | None = None,
) -> Fits:
    """Fit all sides of `window` from `own` (S, 7) and `prior`; see the module's text.

    `figures` (S, 3): how much the encoded levels of the sides' prints vary within a bin; 0 for plain cloth. Offsets
    stay within `VALLEY_PX` of `valleys_px` (S,) where these are finite: there a print's own edges lead astray.
    """
    return _Solver(window, axes, noise, prior, encoder, figures, valleys_px).solve(own, steps)


@dataclass(frozen=True, eq=False, slots=True)
class _Prediction:
    seen: Floats  # (3, N)
    slopes: Floats  # (14, 3, N)
    by_level: Floats  # (3, N)
    by_level_slope: Floats  # (3, N) of it, by the offset
    share: Floats  # (2, N) of cloth, at the luma's and at the colours' blur


@dataclass(frozen=True, eq=False, slots=True)
class _Levels:
    """The cloth's encoded level in each bin and its slope across, (2, 3, B), and what is expected of them."""

    values: Floats
    mean: Floats
    u: Floats


class _Solver:
    def __init__(
        self,
        window: Window,
        axes: Axes,
        noise: Noise,
        prior: Common,
        encoder: Encoder,
        figures: Floats,
        valleys_px: Floats | None,
    ) -> None:
        self.w, self.axes, self.prior, self.encoder = window, axes, prior, encoder
        self.floor, self.together = np.array(noise.sd), np.array(noise.together)
        sizes = np.diff([*window.bin_starts, len(window.side)])
        self.bin = np.repeat(np.arange(len(sizes)), sizes)
        self.sides, self.side_bins = np.unique(window.bin_side, return_index=True)
        self.bin_rank = np.searchsorted(self.sides, window.bin_side)
        self.runs = window.runs
        self.reach = window.reach_px()
        self.basis = window.bow_basis()
        valleys = np.full(window.count, np.nan) if valleys_px is None else valleys_px
        self.lowest = np.where(np.isfinite(valleys), valleys - VALLEY_PX, -MOST_OFFSET_PX)
        self.highest = np.where(np.isfinite(valleys), valleys + VALLEY_PX, MOST_OFFSET_PX)
        self.figured = figures.max(axis=1) > 0.0
        # Across the print: -1 at the inner end of what is seen of it, +1 at the line.
        self.tilt = np.clip(window.across_px / 1.2 + 1.0, -1.5, 1.0)
        self.slope_u = np.maximum(figures[window.bin_side].T, 1e-4)
        self.bare_encoded = YCC_OF_BGR @ encoder.encode(window.bare)[0]

    def solve(self, own: Floats, steps: int) -> Fits:
        common, levels = self.prior.values, self._first_levels(own)
        variance = np.repeat(4.0 * self.floor[:, None] ** 2, len(self.w.side), axis=1)
        for step in range(steps + 1):
            at = self._predict(own, common, levels.values)
            rest = self.w.seen - at.seen
            if step:
                variance = self._variance(at, rest, levels.values[0])
            weights, lone = pixel_weights(rest, variance, self.floor[:, None], self.together[:, None])
            equations = self._equations(at, rest, weights, lone, levels, own, common)
            if step == steps:
                break
            own_change, common_change = equations.step()
            own, common = self._stepped(own, own_change), self._bounded(common + common_change)
            levels = self._next_levels(levels, equations, own_change, common_change)
        doubt = equations.against(SHADOW)
        if doubt > CONTRADICTED:
            # The bare mat's own noise is in the slopes and in what is left: that alone can seem a shadow. Slopes by
            # what the pixels beside show of the mat have another noise: an instrument (J. Durbin, Errors in variables,
            # Review of the International Statistical Institute 22, 1954, from memory).
            slopes = self._predict(own, common, levels.values, self.w.around).slopes
            at = replace(at, slopes=slopes)
            doubt = self._equations(at, rest, weights, lone, levels, own, common).against(SHADOW)
        return self._result(own, common, equations, doubt)

    # -- the model -----------------------------------------------------------------------------------------------

    def _predict(self, own: Floats, common: Floats, cloth: Floats, mat: Floats | None = None) -> _Prediction:
        """`mat` (3, N) is the bare mat's light, if not as its picture has it."""
        w, side = self.w, self.w.side
        bare = w.bare if mat is None else mat
        mine = own[side]
        e = w.across_px - mine[:, 0] - mine[:, 1] * w.along_px - mine[:, 2] * self.basis
        f = self.encoder.decode(BGR_OF_YCC @ cloth[0])
        f_steep = self.encoder.encode(f)[1]
        f, f_steep, gain = f[:, self.bin], f_steep[:, self.bin], mine[:, 3]
        if np.any(self.figured):
            own_light = self.encoder.decode(BGR_OF_YCC @ (cloth[0][:, self.bin] + cloth[1][:, self.bin] * self.tilt))
            f = np.where(self.figured[side], own_light, f)
        towards = self.axes.outward[side].T
        lamp = common[2] + mine[:, 5]
        # A light to one side casts its shadow on the sides that it does not reach, not light on the others.
        away = common[3] * towards[0] + common[4] * towards[1]
        root = np.sqrt(away * away + SOFT_TURN * SOFT_TURN)
        cast, by_away = (away + root - SOFT_TURN) / 2.0, (1.0 + away / root) / 2.0
        sky, wall_light = common[5], common[6] + mine[:, 6]
        blur = common[0] + own[:, 4]
        light_at = RimLight(self.axes.rims, blur)
        thrown, to_px = self._thrown(blur, common), self.axes.scale[side]
        seen, by_level, by_level_slope = np.zeros((3, len(e))), np.zeros((3, len(e))), np.zeros((3, len(e)))
        slopes, shares = np.zeros((len(OWN) + len(common), 3, len(e))), np.zeros((2, len(e)))
        s = blur[side]
        for reach, part in COLOUR_BLUR:
            # Luma is seen at the place itself, colours also at places to both sides.
            place = e + reach * common[1]
            rows = slice(0 if reach == 0.0 else 1, 3)
            counts = np.array([1.0, part, part])[rows, None]
            cover = light_at.at(place, side)
            g = cover.density
            mend = w.slope * g
            visible = cover.mat - lamp * cover.lamp - sky * cover.sky - cast * cover.cast
            visible_slope = cover.mat_slope - lamp * cover.lamp_slope - sky * cover.sky_slope - cast * cover.cast_slope
            if thrown is not None:
                shadow = thrown.at(place, side)
                visible, visible_slope = visible - common[7] * shadow.taken, visible_slope - common[7] * shadow.outward
            beside = bare * visible + s * s * mend
            share = cover.top + wall_light * cover.wall
            encoded, steepness = self.encoder.encode(f * share + gain * beside)
            by_share = wall_light * (g - cover.mat_slope) - g
            by_e = f * by_share + gain * (bare * visible_slope - place * mend)
            by_s = (place * g / s) * (f - gain * bare) + gain * mend * (s + place * place / s)
            to_seen = YCC_OF_BGR[rows] * counts
            seen[rows] += to_seen @ encoded
            by_offset = -(to_seen @ (steepness * by_e))
            by_mat = -(to_seen @ (steepness * bare)) * gain
            by_lamp = by_mat * cover.lamp
            by_wall = to_seen @ (steepness * f) * cover.wall
            by_blur = to_seen @ (steepness * by_s)
            slopes[0, rows] += by_offset
            slopes[3, rows] += to_seen @ (steepness * beside)
            slopes[4, rows] += by_blur
            slopes[5, rows] += by_lamp
            slopes[6, rows] += by_wall
            slopes[8, rows] -= reach * by_offset
            by_cast = by_mat * cover.cast * by_away
            slopes[10, rows] += by_cast * towards[0]
            slopes[11, rows] += by_cast * towards[1]
            slopes[12, rows] += by_mat * cover.sky
            if thrown is not None:
                by_reach = by_mat * (common[7] * shadow.by_reach * to_px)
                slopes[14, rows] += by_mat * shadow.taken
                slopes[15, rows] += by_reach * towards[0]
                slopes[16, rows] += by_reach * towards[1]
                slopes[17, rows] += by_mat * (common[7] * shadow.by_soft * to_px)
            relative = counts * (YCC_OF_BGR[0] @ (steepness / f_steep))
            by_level[rows] += share * relative
            by_level_slope[rows] -= by_share * relative
            shares[1] += part * cover.top
            if reach == 0.0:
                shares[0] = cover.top
        slopes[1], slopes[2], slopes[7] = slopes[0] * w.along_px, slopes[0] * self.basis, slopes[4]
        slopes[9], slopes[13] = slopes[5], slopes[6]
        return _Prediction(seen, slopes, by_level, by_level_slope, shares)

    def _thrown(self, blur: Floats, common: Floats) -> CastShadow | None:
        """The shadow of a light to one side, where there may be one."""
        if not self.prior.shadowed:
            return None
        reach_mm = self.axes.outward @ common[8:10]
        return CastShadow(self.axes.rims, blur, reach_mm * self.axes.scale, common[10] * self.axes.scale)

    def _stepped(self, own: Floats, change: Floats) -> Floats:
        size = np.abs(change[:, 0]) + np.abs(change[:, 1]) * self.reach
        own = own + change * np.minimum(1.0, MOST_STEP_PX / (size + 1e-9))[:, None]
        low, high = np.tile(OWN_LEAST, (len(own), 1)), np.tile(OWN_MOST, (len(own), 1))
        low[:, 0], high[:, 0] = self.lowest, self.highest
        return np.asarray(np.clip(own, low, high))

    def _bounded(self, common: Floats) -> Floats:
        low, high = (
            (0.4, 0.0, -0.1, -2.0, -2.0, -0.05, 0.0, *CAST_LEAST),
            (2.5, 3.5, 3.0, 2.0, 2.0, 1.0, 0.8, *CAST_MOST),
        )
        return np.clip(common, low[: len(common)], high[: len(common)])

    # -- levels of the cloth -------------------------------------------------------------------------------------

    def _first_levels(self, own: Floats) -> _Levels:
        inside = self.w.across_px < own[self.w.side, 0] - 1.5
        count = np.add.reduceat(inside.astype(float), self.w.bin_starts)
        total = np.add.reduceat(self.w.seen * inside, self.w.bin_starts, axis=1)
        of_side = np.add.reduceat(total, self.side_bins, axis=1) / np.maximum(
            np.add.reduceat(count, self.side_bins), 1.0
        )
        mean = of_side[:, self.bin_rank]
        level = np.where(count > 2, total / np.maximum(count, 1.0), mean)
        values = np.stack([level, np.zeros_like(level)])
        return _Levels(values, np.stack([mean, np.zeros_like(mean)]), np.stack([np.full_like(mean, 0.3), self.slope_u]))

    def _next_levels(self, levels: _Levels, eq: Equations, own_change: Floats, common_change: Floats) -> _Levels:
        change = np.concatenate(
            [own_change[self.w.bin_side], np.tile(common_change, (len(self.w.bin_side), 1))], axis=1
        )
        top = eq.level_top - np.einsum("lxkb,bx->lkb", eq.cross, change)
        values = levels.values + np.einsum("lmkb,mkb->lkb", eq.level_inverse, top)
        cloth = np.clip(values[0], [[0.0], [-0.5], [-0.5]], [[1.0], [0.5], [0.5]])
        bottom = 1.0 / eq.level_inverse[0, 0]
        weight = np.minimum(bottom, np.median(bottom, axis=1, keepdims=True))
        total = np.add.reduceat(weight, self.side_bins, axis=1)
        mean = (np.add.reduceat(weight * cloth, self.side_bins, axis=1) / total)[:, self.bin_rank]
        counts = np.diff([*self.side_bins, len(self.bin_rank)])
        variance = np.add.reduceat(weight * (cloth - mean) ** 2, self.side_bins, axis=1) / total
        variance = variance * (counts / np.maximum(counts - 1.0, 1.0)) + 1e-6
        spread = np.sqrt(variance)[:, self.bin_rank]
        values = np.stack([cloth, np.clip(values[1], -1.0, 1.0)])
        return _Levels(values, np.stack([mean, np.zeros_like(mean)]), np.stack([spread, self.slope_u]))

    # -- weights and equations -----------------------------------------------------------------------------------

    def _variance(self, at: _Prediction, rest: Floats, cloth: Floats) -> Floats:
        """(3, N): variances from the residuals of cloth and mat, side by side and channel by channel."""
        variance = np.empty_like(rest)
        step = cloth[:, self.bin] - self.bare_encoded
        for k in range(3):
            a, floor = at.share[min(k, 1)], float(self.floor[k])
            on_cloth = self._spread(rest[k], a > 0.9, floor, 50.0)[self.w.side]
            on_mat = self._spread(rest[k], a < 0.1, floor, MAT_DOUBT)[self.w.side]
            middle = 4.0 * a * (1.0 - a)
            variance[k] = a * a * on_cloth**2 + (1 - a) ** 2 * on_mat**2 + middle * floor**2 / 2.0
            # What the blur's shape does not know; and colours beside a step of luma, which compression smears.
            wrong = step[0] if k == 0 else np.maximum(np.abs(step[0]), np.abs(step[k]))
            variance[k] += (MODEL_ERROR * wrong * middle) ** 2
        return variance

    def _spread(self, rest: Floats, use: NDArray[np.bool_], floor: float, most: float) -> Floats:
        """(S,) robust standard deviation of each side's residuals where `use` is True."""
        result = np.full(self.w.count, floor)
        for s, run in enumerate(self.runs):
            own = np.abs(rest[run][use[run]])
            if own.size >= 5:
                result[s] = 1.4826 * np.median(own)
        return np.asarray(np.clip(result, floor, most * floor))

    def _equations(
        self, at: _Prediction, rest: Floats, weights: Floats, lone: Floats, levels: _Levels, own: Floats, common: Floats
    ) -> Equations:
        starts, h = self.w.bin_starts, at.by_level
        shapes = np.stack([h, h * self.tilt])  # (2, 3, N)
        free = eliminate(starts, self.bin, shapes, at.slopes, rest, weights, levels.u, levels.mean - levels.values)
        scores = free.scores.copy()
        # The levels are only known so far: their doubt would draw the edge outward, where they explain more pixels.
        # The likelihood's slope with the levels integrated out takes that back (Fisher's identity).
        doubt = free.inverse[..., self.bin]
        doubt = doubt[0, 0] + 2.0 * doubt[0, 1] * self.tilt + doubt[1, 1] * self.tilt**2
        drawn = DRAWN * np.sum(weights * h * at.by_level_slope * doubt * lone, axis=0)
        arms = np.stack([drawn, drawn * self.w.along_px, drawn * self.basis])
        scores[:3] -= np.add.reduceat(arms, starts, axis=1)
        many = len(at.slopes)
        normal, gradient = np.zeros((self.w.count, many, many)), np.zeros((self.w.count, many))
        info = np.zeros((self.w.count, 3))
        for s, run in enumerate(self.runs):
            if run.stop > run.start:
                here = np.ascontiguousarray(free.weighted[:, :, run]).reshape(many, -1)
                normal[s] = here @ np.ascontiguousarray(at.slopes[:, :, run]).reshape(many, -1).T
                info[s] = np.sum(free.weighted[0, :, run] * at.slopes[0, :, run], axis=-1)
        gradient[self.sides] = np.add.reduceat(scores, self.side_bins, axis=1).T
        n = len(OWN)
        # A print says nothing of what the picture's sides have in common: too much of it is unknown.
        normal[self.figured, n:], normal[self.figured, :, n:], gradient[self.figured, n:] = 0.0, 0.0, 0.0
        prior_own = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
        # Where the picture's sides throw no shadow, none of them does.
        own_u = OWN_U * np.array([1.0, 1.0, 1.0, 1.0, 1.0, max(common[2], LEAST_LAMP), 1.0])
        gradient[:, :n] += (prior_own - own) / own_u**2
        normal[:, :n, :n] += np.diag(1.0 / own_u**2)
        before = np.asarray(np.linalg.inv(self.prior.covariance), np.float64)
        prior_gradient = before @ (self.prior.values - common)
        return Equations(normal, gradient, before, prior_gradient, free.top, free.inverse, free.cross, scores, info)

    def _result(self, own: Floats, common: Floats, eq: Equations, shadow_doubt: float) -> Fits:
        inverse, by_common, covariance = eq.eliminated()
        n = len(OWN)
        spread = np.zeros((self.w.count, n, n))
        square = np.add.reduceat(eq.scores[:n, None] * eq.scores[None, :n], self.side_bins, axis=2)
        spread[self.sides] = np.moveaxis(square, -1, 0)
        counts = np.zeros(self.w.count)
        counts[self.sides] = np.diff([*self.side_bins, len(self.bin_rank)])
        clustered = inverse @ spread @ inverse * (counts / np.maximum(counts - 2.0, 1.0))[:, None, None]
        own_covariance = np.zeros((self.w.count, 3, 3))
        for k in range(3):
            own_covariance[:, k, k] = np.maximum(clustered[:, k, k], inverse[:, k, k])
        return Fits(
            own,
            own_covariance,
            by_common[:, :3],
            Common(common, covariance),
            eq.info[:, 1:].sum(axis=1) / np.maximum(eq.info.sum(axis=1), 1e-12),
            shadow_doubt,
            self._leaning(own[:, FOCUS]),
        )

    def _leaning(self, focus: Floats) -> float:
        """Chi-square of blurs that are one way on sides that face a light, and another on those that face away.

        Opposite sides have one lens and one motion. Beside dark cloth a hard shadow looks like more cloth and a softer
        edge, so nearly that nothing but this tells it.
        """
        seen = self.sides[~self.figured[self.sides]]
        facing, off = self.axes.outward[seen], focus[seen] / OWN_U[FOCUS]
        if len(seen) < FEWEST_FACING:
            return 0.0
        facing, off = facing - facing.mean(axis=0), off - off.mean()
        pull = facing.T @ off
        return float(pull @ np.linalg.solve(facing.T @ facing + np.eye(2) * 1e-3, pull))
