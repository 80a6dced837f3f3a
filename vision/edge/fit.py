"""The least-squares fit of the light across straight cloth edges, for many sides at once.

Offset, turn and bow of each side, the mat's gain beside it and the blurs are solved for by Gauss-Newton, with what all
sides have in common; each bin's cloth level is eliminated within each step (`levels`). The fit ends as soon as no side
moves by what would matter beside its uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.cast import CAST_LEAST, CAST_MOST
from vision.edge.common import COMMON, OWN, OWN_U, SHADOW, Common
from vision.edge.encoding import YCC_OF_BGR, Encoder
from vision.edge.equations import Equations
from vision.edge.levels import Eliminated, Levels, eliminate, pixel_weights
from vision.edge.light import SideLight, SidePixels, Unknowns, predicted, tables
from vision.edge.noise import Noise
from vision.edge.ruled import NO_BARS, Bars
from vision.edge.windows import Axes, Window
from vision.mat import MAD_TO_SD

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

MODEL_ERROR = 0.02  # of the contrast, in the middle of the edge: what the blur model does not know
MAT_DOUBT = 3.0  # the bare mat may seem so many times as noisy, no more
CLOTH_DOUBT = 50.0
SURELY_PX = 1.5  # inside the line: cloth
MOST_STEP_PX = 1.5
MOST_CHROMA_STEP_PX = 0.5  # what it does grows with its square: far steps would never settle
MOST_OFFSET_PX = 9.0
OWN_MOST = np.array([MOST_OFFSET_PX, 0.5, 4.0, 3.0, 0.3, 1.0, 0.5])
OWN_LEAST = -OWN_MOST * np.array([1.0, 1.0, 1.0, -0.1, 1.0, 1.0, 1.0])
OWN_PRIOR = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
CHROMA = COMMON.index("chroma")
COMMON_LEAST = np.array([0.4, 0.0, -0.1, -2.0, -2.0, -0.05, 0.0, *CAST_LEAST])
COMMON_MOST = np.array([2.5, 3.5, 3.0, 2.0, 2.0, 1.0, 0.8, *CAST_MOST])
VALLEY_PX = 1.5  # from where a search found the mat to begin beside a print
CONTRADICTED = 16.0  # chi-square of 4 degrees of freedom that usual light exceeds in 3 of 1000 pictures
FOCUS = OWN.index("focus")
FEWEST_FACING = 3  # sides that can tell a blur of its own way from where they face
LEAST_LAMP = 0.05
LEAST_SLOPE = 1e-4  # of the encoded range: a print's levels change across it by so much at least
DRAWN = 0.25  # of what levels without order would draw: a print lies between order and none
SETTLED_PX = 0.001  # a step of so much moves no side, whatever its uncertainty


@dataclass(frozen=True, slots=True)
class Until:
    """When a fit ends: after so many steps, or when one moves no side by more than a share of its uncertainty."""

    steps: int
    moves_u: Floats | float  # (S,), or of all sides


@dataclass(frozen=True, eq=False, slots=True)
class Fits:
    """What the fit gives of S sides."""

    at: Unknowns
    levels: dict[int, Levels]  # of the sides that have pixels
    own_covariance: Floats  # (S, 3, 3) of offset, turn and bow, were the common unknowns exact
    by_common: Floats  # (S, 3, 7): how offset, turn and bow follow an error of the common unknowns
    common: Common
    colour_share: Floats  # (S,) of what is known of the offset, that comes from the colours
    shadow_doubt: float  # chi-square, 4 degrees of freedom: how much the sides contradict the prior's shadow
    leaning: float  # chi-square, 2 degrees of freedom: how much their blurs differ by where they face

    @property
    def own(self) -> Floats:
        """(S, 7), in the order of `OWN`."""
        return self.at.own


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """What is seen beside all sides of a picture, and what is known of them before the fit."""

    window: Window
    axes: Axes
    noise: Noise
    encoder: Encoder
    figures: Floats  # (S, 3) how much the encoded levels of the sides' prints vary within a bin; 0 for plain cloth
    valleys_px: Floats  # (S,) offsets stay within `VALLEY_PX` of these where finite: a print's own edges lead astray
    bars: Bars  # lines along sides
    cut: bool  # unless lines are cut, sides beside them say nothing of what is common


def solve(beside: Beside, start: Unknowns, prior: Common, until: Until, known: Fits | None = None) -> Fits:
    """Fit all sides from `start`; see the module's text.

    `known` are earlier fits of the same sides, near `start`: what they learnt of noise and levels holds from the start,
    but for prints, which it would hold at an edge of their own.
    """
    return _Solver(beside, prior).solve(start, until, known)


@dataclass(frozen=True, eq=False, slots=True)
class _Evaluated:
    """All sides at some unknowns: equations, and for each seen side its levels' and its bins' part in them."""

    equations: Equations
    free: list[Eliminated]
    info: Floats  # (S, 3) of the offset
    follows: Floats  # (S, 14 or 18, 10 or 13)


class _Solver:
    def __init__(self, beside: Beside, prior: Common) -> None:
        window, noise, bars, cut, valleys = beside.window, beside.noise, beside.bars, beside.cut, beside.valleys_px
        self.axes, self.encoder, self.figures, self.prior = beside.axes, beside.encoder, beside.figures, prior
        self.floor = np.array(noise.sd, np.float32)[:, None]
        self.together = np.array(noise.together, np.float32)[:, None]
        self.count, self.reach = window.count, window.reach_px()
        self.bars, self.lined = bars if cut else NO_BARS, bars.beside(window.side, window.count)
        self.runs = [run for run in window.runs if run.stop > run.start]
        self.sides, self.pixels = side_pixels(window, self.axes, self.bars)
        self.lowest = np.where(np.isfinite(valleys), valleys - VALLEY_PX, -MOST_OFFSET_PX)
        self.highest = np.where(np.isfinite(valleys), valleys + VALLEY_PX, MOST_OFFSET_PX)
        self.figured = self.figures.max(axis=1) > 0.0
        self.silent = self.figured | self.lined & (not cut)
        self.before = np.asarray(np.linalg.inv(prior.covariance), np.float64)

    def solve(self, start: Unknowns, until: Until, known: Fits | None) -> Fits:
        at, levels = start, self._first_levels(start.own, known.levels if known else {})
        for step in range(until.steps):
            told = np.full(self.count, step > 0) | (~(self.figured | self.lined) if known else False)
            there = at, levels, told
            here = self._evaluated(*there)
            own_change, common_change = here.equations.step()
            common_change[CHROMA] = np.clip(common_change[CHROMA], -MOST_CHROMA_STEP_PX, MOST_CHROMA_STEP_PX)
            at = self._stepped(at, own_change, common_change)
            if np.all(told) and self._settled(own_change, here.equations, until.moves_u):
                break
            both = np.concatenate([own_change, np.tile(common_change, (self.count, 1))], axis=1)
            changes = np.einsum("sxd,sx->sd", here.follows, both)
            levels = [
                one.following(free, changes[s]) for s, one, free in zip(self.sides, levels, here.free, strict=True)
            ]
        # Beside a line, what is not known of the line can seem a shadow.
        doubt = here.equations.after(own_change, common_change).without(self.lined).against(SHADOW)
        return self._result(at, levels, here, doubt, self._by_bars(here, *there))

    def _settled(self, change: Floats, equations: Equations, moves_u: Floats | float) -> bool:
        moved = np.abs(change[:, 0]) + np.abs(change[:, 1]) * self.reach
        most = SETTLED_PX + moves_u * np.sqrt(equations.own_covariance[:, 0, 0])
        return bool(np.all(moved[self.sides] < most[self.sides]))

    def _stepped(self, at: Unknowns, change: Floats, common_change: Floats) -> Unknowns:
        size = np.abs(change[:, 0]) + np.abs(change[:, 1]) * self.reach
        own = at.own + change * np.minimum(1.0, MOST_STEP_PX / (size + 1e-9))[:, None]
        low, high = np.tile(OWN_LEAST, (len(own), 1)), np.tile(OWN_MOST, (len(own), 1))
        low[:, 0], high[:, 0] = self.lowest, self.highest
        common, many = at.common + common_change, len(at.common)
        return Unknowns(np.clip(own, low, high), np.clip(common, COMMON_LEAST[:many], COMMON_MOST[:many]))

    def _first_levels(self, own: Floats, known: dict[int, Levels]) -> list[Levels]:
        levels = []
        for s, w in zip(self.sides, self.pixels, strict=True):
            slopes_u = np.maximum(self.figures[s], LEAST_SLOPE) if self.figured[s] else None
            seen = Levels.seen(w.seen, w.across_px < own[s, 0] - SURELY_PX, w.starts, slopes_u)
            levels.append(seen.spread_as(None if self.figured[s] else known.get(s)))
        return levels

    def _evaluated(self, at: Unknowns, levels: Sequence[Levels], told: NDArray[np.bool_]) -> _Evaluated:
        """The equations at some unknowns; `told` (S,): whether residuals tell how noisy a side is."""
        n, many = len(OWN), len(OWN) + len(at.common)
        outward, px_per_mm = self.axes.outward, self.axes.scale
        follows, table = at.follows(outward, px_per_mm), tables(self.axes.rims, at, outward, px_per_mm)
        normal, gradient = np.zeros((self.count, many, many)), np.zeros((self.count, many))
        info, frees = np.zeros((self.count, 3)), []
        for s, w, level in zip(self.sides, self.pixels, levels, strict=True):
            light = self._light(w, table[s], at, s, level)
            free = self._side(w, light, level, bool(told[s]))
            frees.append(free)
            normal[s] = follows[s] @ free.normal.sum(axis=0) @ follows[s].T
            gradient[s] = follows[s] @ free.scores.sum(axis=1)
            info[s] = free.normal[:, 0, 0]
        # Where the picture's sides throw no shadow, none of them does.
        own_u = OWN_U * np.array([1.0, 1.0, 1.0, 1.0, 1.0, max(at.common[2], LEAST_LAMP), 1.0])
        gradient[:, :n] += (OWN_PRIOR - at.own) / own_u**2
        normal[:, :n, :n] += np.diag(1.0 / own_u**2)
        pull = self.before @ (self.prior.values - at.common)
        # A print says nothing of what the picture's sides have in common: too much of it is unknown.
        equations = Equations(normal, gradient, self.before, pull).without(self.silent)
        return _Evaluated(equations, frees, info, follows)

    def _by_bars(
        self, here: _Evaluated, at: Unknowns, levels: Sequence[Levels], told: NDArray[np.bool_]
    ) -> list[Floats]:
        """(S, 3) each: by how much offset, turn and bow would differ with other bars that may as well be true."""
        spread = MAD_TO_SD * float(np.median(np.abs(at.own[self.sides, FOCUS])))
        others = self.bars.doubted(float(at.common[0]), min(spread, float(OWN_U[FOCUS])))
        table = tables(self.axes.rims, at, self.axes.outward, self.axes.scale) if others else None
        gradients = np.zeros((len(others), *here.equations.gradient.shape))
        for s, w, level, run in zip(self.sides, self.pixels, levels, self.runs, strict=True):
            if self.lined[s] and table is not None:
                light = self._light(w, table[s], at, s, level)
                shapes, (weights, _) = _shapes(w, light, level), self._weights(w, light, level, bool(told[s]))
                for gradient, bars in zip(gradients, others, strict=True):
                    off = self._light(replace(w, bars=bars.within(run)), table[s], at, s, level).seen - light.seen
                    free = eliminate(w.starts, shapes, light.slopes, off, weights, level.u, np.zeros(1))
                    gradient[s] = here.follows[s] @ free.scores.sum(axis=1)
        still = replace(here.equations, prior_gradient=np.zeros_like(here.equations.prior_gradient))
        return [replace(still, gradient=one).without(self.silent).step()[0][:, :3] for one in gradients]

    def _light(self, w: SidePixels, table: Singles, at: Unknowns, s: int, levels: Levels) -> SideLight:
        figured = bool(self.figured[s])
        return predicted(w, table, at, s, levels.values, figured, self.encoder)

    def _weights(self, w: SidePixels, light: SideLight, levels: Levels, told: bool) -> tuple[Singles, Singles]:
        """As `pixel_weights` has them."""
        rest = w.seen - light.seen
        variance = (
            self._variance(w, light, rest, levels.values[0])
            if told
            else np.broadcast_to(4.0 * self.floor**2, rest.shape)
        )
        return pixel_weights(rest, variance, self.floor, self.together)

    def _side(self, w: SidePixels, light: SideLight, levels: Levels, told: bool) -> Eliminated:
        rest, (weights, lone) = w.seen - light.seen, self._weights(w, light, levels, told)
        h, shapes = light.by_level, _shapes(w, light, levels)
        free = eliminate(w.starts, shapes, light.slopes, rest, weights, levels.u, levels.mean - levels.values)
        # The levels are only known so far: their doubt would draw the edge outward, where they explain more pixels.
        # The likelihood's slope with the levels integrated out takes that back (Fisher's identity).
        doubt = free.inverse.astype(np.float32).repeat(w.sizes, axis=-1)
        if len(shapes) == 1:
            doubt = doubt[0, 0]
        else:
            doubt = doubt[0, 0] + 2.0 * doubt[0, 1] * w.tilt + doubt[1, 1] * w.tilt**2
        drawn = DRAWN * np.sum(weights * h * light.by_level_slope * doubt * lone, axis=0)
        free.scores[:3] -= np.add.reduceat(np.stack([drawn, drawn * w.along_px, drawn * w.bow]), w.starts, axis=1)
        return free

    def _variance(self, w: SidePixels, light: SideLight, rest: Singles, cloth: Floats) -> Singles:
        """(C, N): variances from the residuals of cloth and mat, channel by channel."""
        a = light.share[[0, 1, 1]]
        on_cloth, on_mat = self._spread(rest, a > 0.9, CLOTH_DOUBT), self._spread(rest, a < 0.1, MAT_DOUBT)
        b = 1.0 - a
        middle = 4.0 * a * b
        # What the blur's shape does not know; and colours beside a step of luma, which compression smears.
        bare, _ = self.encoder.nearest(w.bare)
        bare = YCC_OF_BGR.astype(np.float32) @ bare
        step = np.abs(cloth.astype(np.float32).repeat(w.sizes, axis=1) - bare)
        wrong = np.maximum(step, step[0])
        seen = (a * on_cloth) ** 2 + (b * on_mat) ** 2 + middle * self.floor**2 / 2.0
        return np.asarray(seen + (MODEL_ERROR * wrong * middle) ** 2)

    def _spread(self, rest: Singles, use: NDArray[np.bool_], most: float) -> Singles:
        """(C, 1) robust standard deviation of a side's residuals where `use` (C, N) is True."""
        own = [np.abs(one[of]) for one, of in zip(rest, use, strict=True)]
        middles = [np.partition(one, one.size // 2)[one.size // 2] if one.size >= 5 else 0.0 for one in own]
        return np.asarray(np.clip(1.4826 * np.array(middles, np.float32)[:, None], self.floor, most * self.floor))

    def _result(
        self, at: Unknowns, levels: list[Levels], here: _Evaluated, shadow_doubt: float, by_bars: Sequence[Floats]
    ) -> Fits:
        inverse, by_common, covariance = here.equations.eliminated()
        own_covariance, n = np.zeros((self.count, 3, 3)), len(OWN)
        clustered = inverse.copy()
        for s, free in zip(self.sides, here.free, strict=True):
            scores, count = here.follows[s, :n] @ free.scores, free.scores.shape[1]
            clustered[s] = inverse[s] @ (scores @ scores.T) @ inverse[s] * (count / max(count - 2.0, 1.0))
        for k in range(3):
            own_covariance[:, k, k] = np.maximum(clustered[:, k, k], inverse[:, k, k])
        for off in by_bars:
            own_covariance += off[:, :, None] * off[:, None]
        colour_share = here.info[:, 1:].sum(axis=1) / np.maximum(here.info.sum(axis=1), 1e-12)
        return Fits(
            at,
            dict(zip(self.sides, levels, strict=True)),
            own_covariance,
            by_common[:, :3],
            Common(at.common, covariance),
            colour_share,
            shadow_doubt,
            self._leaning(at.own[:, FOCUS]),
        )

    def _leaning(self, focus: Floats) -> float:
        """Chi-square of blurs that are one way on sides that face a light, and another on those that face away.

        Opposite sides have one lens and one motion. Beside dark cloth a hard shadow looks like more cloth and a softer
        edge, so nearly that nothing but this tells it.
        """
        seen = [s for s in self.sides if not self.silent[s]]
        facing, off = self.axes.outward[seen], focus[seen] / OWN_U[FOCUS]
        if len(seen) < FEWEST_FACING:
            return 0.0
        facing, off = facing - facing.mean(axis=0), off - off.mean()
        pull = facing.T @ off
        return float(pull @ np.linalg.solve(facing.T @ facing + np.eye(2) * 1e-3, pull))


def _shapes(w: SidePixels, light: SideLight, levels: Levels) -> Singles:
    """(1 or 2, 3, N): how what is seen follows the levels."""
    h = light.by_level
    return h[None] if len(levels.values) == 1 else np.stack([h, h * w.tilt])


def side_pixels(window: Window, axes: Axes, bars: Bars = NO_BARS) -> tuple[list[int], list[SidePixels]]:
    """The sides that have pixels, and these."""
    foot_px = np.maximum(axes.rims.wall_px, 0.0)
    across, along, bow = (_single(one) for one in (window.across_px, window.along_px, window.bow_basis()))
    sides, pixels = [], []
    first = np.searchsorted(window.bin_side, np.arange(window.count + 1))
    for s, run in enumerate(window.runs):
        if run.stop > run.start:
            seen, bare, slope, steady = (
                _single(one[:, run]) for one in (window.seen, window.bare, window.slope, window.steady)
            )
            starts = window.bin_starts[first[s] : first[s + 1]] - run.start
            sizes = np.diff([*starts, run.stop - run.start])
            sides.append(s)
            lines = bars.within(run), float(foot_px[s])
            pixels.append(
                SidePixels(across[run], along[run], bow[run], seen, bare, slope, steady, starts, sizes, *lines)
            )
    return sides, pixels


def _single(values: Floats) -> Singles:
    return values.astype(np.float32, order="C")
