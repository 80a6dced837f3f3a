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

from calibration.robust import MAD_TO_SD
from vision.edge.alike import differing
from vision.edge.common import COMMON, OWN, OWN_U, SHADOW, Common
from vision.edge.eliminating import Sums, no_sums
from vision.edge.equations import Equations, own_inverse
from vision.edge.evaluating import There, evaluate, rooms_for
from vision.edge.levels import ANYWHERE, LEAST_SPREAD, Levels, first_levels, following
from vision.edge.maskfit import ByMask, evaluate_wider, mask_told, no_mask
from vision.edge.misfit import misfit_px, own_misfit_px
from vision.edge.model.cast import CAST_LEAST, CAST_MOST
from vision.edge.model.cuts import Cuts, cuts_of
from vision.edge.model.encoding import BGR_OF_YCC, Encoder
from vision.edge.model.light import Unknowns, tables
from vision.edge.model.mask import Sharpening
from vision.edge.model.ruled import Bars
from vision.edge.model.unmasked import MASK, changes
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.sidepixels import side_pixels
from vision.edge.pixels.windows import Axes, Window
from vision.edge.prints.borders import Borders
from vision.edge.scatter import line_variances
from vision.edge.straightness import straight_precision, usual_bow_px

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_STEP_PX = 1.5
MOST_CHROMA_STEP_PX = 0.5  # what it does grows with its square: far steps would never settle
MOST_OFFSET_PX = 9.0
OWN_MOST = np.array([MOST_OFFSET_PX, 0.5, 4.0, 3.0, 0.3, 1.0, 0.5])
OWN_LEAST = -OWN_MOST * np.array([1.0, 1.0, 1.0, -0.1, 1.0, 1.0, 1.0])
OWN_PRIOR = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
CHROMA = COMMON.index("chroma")
COMMON_LEAST = np.array([0.4, 0.0, -0.1, -2.0, -2.0, -0.05, -0.4, -0.2, *CAST_LEAST])
COMMON_MOST = np.array([2.5, 3.5, 3.0, 2.0, 2.0, 1.0, 0.6, 1.5, *CAST_MOST])
BOW, FOCUS = OWN.index("bow"), OWN.index("focus")
FEWEST_FACING = 3  # sides that can tell a blur of its own way from where they face
LEAST_LAMP = 0.05
MOST_FORETOLD = 4.0  # times what would matter: a step from which the next is told
SETTLED_PX = 0.001  # a step of so much moves no side, whatever its uncertainty


@dataclass(frozen=True, slots=True)
class Until:
    """When a fit ends: after so many steps, or when one moves no side by more than a share of its uncertainty."""

    steps: int
    moves_u: Floats | float  # (S,), or of all sides
    moves_px: float = SETTLED_PX


@dataclass(frozen=True, eq=False, slots=True)
class Fits:
    """What the fit gives of S sides."""

    at: Unknowns
    levels: Levels
    seen: Bools  # (S,) which sides have pixels
    own_covariance: Floats  # (S, 3, 3) of offset, turn and bow, were the common unknowns exact
    by_common: Floats  # (S, 3, 8 + Q or 12 + Q): how offset, turn and bow follow an error of what `common` holds
    common: Common
    colour_share: Floats  # (S,) of what is known of the offset, that comes from the colours
    shadow_doubt: float  # chi-square, 4 degrees of freedom: how much the sides contradict the prior's shadow
    leaning: float  # chi-square, 2 degrees of freedom: how much their blurs differ by where they face
    misfit_px: float  # by which all edges may be off together, as the model of their light is wrong
    own_misfit_px: float  # and each by itself besides

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
    borders: Borders  # of the figures of the sides' prints
    valleys_px: Floats  # (S,) where finite, offsets stay within `valley_px` of these: a print's own edges lead astray
    valley_px: float
    bars: Bars  # lines along sides, which are cut
    lined: Bools  # (S,) which sides lie beside lines
    cut: bool  # unless lines are cut, sides beside them say nothing of what is common
    coloured: Bools  # (S,) which sides' colours tell anything, and not their luma alone
    falls: Floats  # (2, 3, S) how levels change a px along plain cloth (`pixels.falling`), and how sure that is
    mask: Sharpening | None  # that was undone, if what is not known of it is asked for


def solve(beside: Beside, start: Unknowns, prior: Common, until: Until, known: Fits | None = None) -> Fits:
    """Fit all sides from `start`; see the module's text.

    `known` are earlier fits of the same sides, near `start`: what they learnt of noise and levels holds from the start,
    but for prints, which it would hold at an edge of their own.
    """
    return _Solver(beside, prior).solve(start, until, known)


@dataclass(frozen=True, eq=False, slots=True)
class _Evaluated:
    """All sides at some unknowns: their equations, and what these were made of."""

    equations: Equations
    free: Equations  # were sides' blurs not expected to be alike
    mixed: Floats  # (S, 7, 8 or 12) of own and common unknowns, of silent sides, too
    sums: Sums
    there: There
    follows: Floats  # (S, 15 or 19, 11 or 14)


class _Solver:
    def __init__(self, beside: Beside, prior: Common) -> None:
        window, noise, valleys = beside.window, beside.noise, beside.valleys_px
        self.axes, self.encoder, self.borders, self.prior = beside.axes, beside.encoder, beside.borders, prior
        self.noise = np.array([noise.sd, noise.together], np.float32)
        self.count, self.reach = window.count, window.reach_px()
        self.coloured, self.falls = beside.coloured, beside.falls * self.reach
        self.falls[1] = np.minimum(np.hypot(self.falls[1], LEAST_SPREAD), ANYWHERE)
        self.bars, self.lined = beside.bars, beside.lined
        self.pixels = side_pixels(window, self.encoder)
        self.rooms = rooms_for(self.pixels.most, prior.shadowed)
        self.seen = self.pixels.seen_sides
        self.usual_bow_px = usual_bow_px(self.axes.lengths_mm, self.axes.scale)
        self.lowest = np.where(np.isfinite(valleys), valleys - beside.valley_px, -MOST_OFFSET_PX)
        self.highest = np.where(np.isfinite(valleys), valleys + beside.valley_px, MOST_OFFSET_PX)
        self.figured = self.borders.figured
        self.telling = self.seen & ~self.figured & ~self.lined  # what all sides have alike
        # A print says nothing of what the picture's sides have in common: too much of it is unknown. Only where hardly
        # a plain side says any better.
        spoken_for = np.count_nonzero(self.telling) >= FEWEST_FACING
        self.silent = (self.figured & spoken_for) | (self.lined & (not beside.cut))
        own = len(prior.values)
        self.mask = beside.mask
        self.known_mask = (prior.mask, prior.covariance[own:, own:]) if len(prior.mask) else None
        # What errs smoothly is taken for a shadow, which falls off as slowly, and not for an edge. So of the light, and
        # of nothing else, the sides say less than their noise has it: as much less, they are weighed against the prior.
        falls_off = np.where(np.arange(own) < SHADOW.start, 1.0, noise.smooth)
        self.doubt = np.outer(falls_off, falls_off)
        self.before = np.asarray(np.linalg.inv(prior.covariance[:own, :own]), np.float64) * self.doubt

    def solve(self, start: Unknowns, until: Until, known: Fits | None) -> Fits:
        left = 0.0
        at, learnt = start, ~self.figured & known.seen if known else np.zeros(self.count, np.bool_)
        levels_known = known.levels if known else None
        levels = first_levels(self.pixels, at.own[:, 0], self.falls, self.borders, levels_known, learnt)
        places = self.pixels.bin_places
        for step in range(until.steps):
            told = np.full(self.count, step > 0) | (~(self.figured | self.lined) if known else False)
            before, here = at, self._evaluated(at, levels, told)
            own_change, common_change = here.equations.step(*self._room(at))
            at = self._stepped(at, own_change, common_change)
            last, left = left, self._moved(own_change, here.equations, until)
            # Small steps shrink evenly: the next one is foretold, and not taken where it would not matter.
            shrinks = min(1.0, left / max(last, 1e-9)) if left < MOST_FORETOLD else 1.0
            if np.all(told) and left * shrinks <= 1.0:
                break
            both = np.concatenate([own_change, np.tile(common_change, (self.count, 1))], axis=1)
            changes = np.einsum("sxd,sx->sd", here.follows, both)
            free = here.sums.inverse, here.sums.top, here.sums.cross
            levels = following(levels, self.pixels.side_bins, places, self.figured, self.coloured, *free, changes)
        # Beside a line, what is not known of the line can seem a shadow.
        doubt = here.equations.after(own_change, common_change).without(self.lined).against(SHADOW)
        leaning = self._leaning(before.own[:, FOCUS] + here.free.step()[0][:, FOCUS])
        return self._result(at, levels, here, doubt, leaning, self._by_bars(here, before), self._by_mask(before, here))

    def _moved(self, change: Floats, equations: Equations, until: Until) -> float:
        """By how many times what would matter the side moved that moved most."""
        moved = np.abs(change[:, 0]) + np.abs(change[:, 1]) * self.reach
        most = until.moves_px + until.moves_u * np.sqrt(equations.own_covariance[:, 0, 0])
        return float(np.max((moved / most)[self.seen], initial=0.0))

    def _room(self, at: Unknowns) -> tuple[Floats, Floats]:
        """By how much at least and at most the common unknowns may change in one step."""
        many = len(at.common)
        least, most = COMMON_LEAST[:many] - at.common, COMMON_MOST[:many] - at.common
        least[CHROMA] = max(least[CHROMA], -MOST_CHROMA_STEP_PX)
        most[CHROMA] = min(most[CHROMA], MOST_CHROMA_STEP_PX)
        return np.minimum(least, 0.0), np.maximum(most, 0.0)

    def _stepped(self, at: Unknowns, change: Floats, common_change: Floats) -> Unknowns:
        size = np.abs(change[:, 0]) + np.abs(change[:, 1]) * self.reach
        own = at.own + change * np.minimum(1.0, MOST_STEP_PX / (size + 1e-9))[:, None]
        low, high = np.tile(OWN_LEAST, (len(own), 1)), np.tile(OWN_MOST, (len(own), 1))
        low[:, 0], high[:, 0] = self.lowest, self.highest
        return Unknowns(np.clip(own, low, high), at.common + common_change)

    def _evaluated(self, at: Unknowns, levels: Levels, told: Bools) -> _Evaluated:
        """The equations at some unknowns; `told` (S,): whether residuals tell how noisy a side is."""
        outward, px_per_mm = self.axes.outward, self.axes.scale
        follows, there = at.follows(self.axes.rims, outward, px_per_mm), self._there(at, levels, told)
        sums = self._summed(at, there, False, there.cuts)
        whole = self._equations(at, sums, follows)
        equations = whole.without(self.silent)
        # Far from their places all sides seem to differ.
        tied = self._tied(at, equations) if np.all(told[~self.silent]) else equations
        return _Evaluated(tied, equations, whole.normal[:, : len(OWN), len(OWN) :], sums, there, follows)

    def _tied(self, at: Unknowns, free: Equations) -> Equations:
        """The same, plain sides' blurs differing by no more than the picture shows."""
        own_u, normal, gradient = self._own_u(at), free.normal.copy(), free.gradient.copy()
        plain, telling = np.flatnonzero(~self.silent), self.telling
        here = own_inverse(normal[telling]), gradient[telling, : len(OWN)], at.own[telling]
        more = differing(*here, own_u, FOCUS) ** -2 - own_u[FOCUS] ** -2
        gradient[plain, FOCUS] -= more * at.own[plain, FOCUS]
        normal[plain, FOCUS, FOCUS] += more
        return replace(free, normal=normal, gradient=gradient)

    def _own_u(self, at: Unknowns) -> Floats:
        """(7,): where the picture's sides throw no shadow, none of them does."""
        return np.asarray(OWN_U * [1.0, 1.0, 1.0, 1.0, 1.0, max(at.common[2], LEAST_LAMP), 1.0])

    def _equations(self, at: Unknowns, sums: Sums, follows: Floats) -> Equations:
        """Of all sides; unknowns that follow after the common ones of `at` have no prior."""
        n, more = len(OWN), follows.shape[1] - len(OWN) - len(at.common)
        normal = follows @ sums.normal @ np.swapaxes(follows, 1, 2)
        gradient = np.einsum("sxd,sd->sx", follows, self.pixels.by_side(sums.scores))
        own_u = self._own_u(at)
        gradient[:, :n] += (OWN_PRIOR - at.own) / own_u**2
        normal[:, :n, :n] += np.diag(1.0 / own_u**2)
        straight = straight_precision(at.own[:, BOW], self.usual_bow_px)
        gradient[:, BOW] -= straight * at.own[:, BOW]
        normal[:, BOW, BOW] += straight
        pull = self.before @ (self.prior.values - at.common)
        return Equations(normal, gradient, np.pad(self.before, (0, more)), np.pad(pull, (0, more)))

    def _by_bars(self, here: _Evaluated, at: Unknowns) -> list[Floats]:
        """(S, 3) each: by how much offset, turn and bow would differ with other bars that may as well be true."""
        spread = MAD_TO_SD * float(np.median(np.abs(at.own[self.seen, FOCUS])))
        still = replace(here.equations, prior_gradient=np.zeros_like(here.equations.prior_gradient))
        others = self.bars.doubted(float(at.common[0]), min(spread, float(OWN_U[FOCUS])))
        changes = []
        for bars in others:
            sums = self._summed(at, here.there, True, self._cuts(at, bars))
            gradient = np.einsum("sxd,sd->sx", here.follows, self.pixels.by_side(sums.scores))
            changes.append(replace(still, gradient=gradient).without(self.silent).step()[0][:, :3])
        return changes

    def _by_mask(self, at: Unknowns, here: _Evaluated) -> ByMask:
        """What is not known of the mask that was undone: asked once, as unknowns that join the equations."""
        if self.mask is None:
            return no_mask(self.count, len(at.common))
        there, light, does, many = here.there, self.rooms.light, len(at.does), here.follows.shape[1]
        cloth = np.maximum(self.encoder.decode((BGR_OF_YCC @ there.levels.mean[0]).T), 0.0)
        by_mask = changes(self.mask, there.tables, cloth, self.pixels.mat_beside() * at.own[:, 3:4], self.encoder)
        wide = light._replace(slopes=np.empty((does + len(MASK), *light.slopes.shape[1:]), np.float32))
        sums = no_sums(self.count, len(self.pixels.bin_starts) - 1, does + len(MASK))
        evaluate_wider(sums, self.rooms, wide, self.pixels, there, by_mask)
        follows = np.zeros((self.count, many + len(MASK), does + len(MASK)))
        follows[:, :many, :does], follows[:, many:, does:] = here.follows, np.eye(len(MASK))
        told = self._equations(at, sums, follows)
        told.gradient[:, :many] = here.equations.gradient  # with what doubt of the levels takes back
        return mask_told(told, told.without(self.silent), self.mask, self.known_mask)

    def _there(self, at: Unknowns, levels: Levels, told: Bools) -> There:
        table = tables(self.axes.rims, at, self.axes.outward, self.axes.scale)
        known = levels, self.figured, self.coloured, told, self.noise, self.encoder.linear, self.encoder.steps
        return There(table, at.own, float(at.common[1]), *known, self._cuts(at, self.bars))

    def _summed(self, at: Unknowns, there: There, by_bars: bool, others: Cuts) -> Sums:
        sums = no_sums(self.count, len(self.pixels.bin_starts) - 1, len(at.does))
        evaluate(sums, self.rooms, self.pixels, there, by_bars, others)
        return sums

    def _cuts(self, at: Unknowns, bars: Bars) -> Cuts:
        foot_px, blurs_px = np.maximum(self.axes.rims.wall_px, 0.0), (at.blur_px, float(at.common[0]))
        return cuts_of(bars, self.pixels, at.own, float(at.common[1]), self.coloured, foot_px, *blurs_px)

    def _result(
        self,
        at: Unknowns,
        levels: Levels,
        here: _Evaluated,
        shadow_doubt: float,
        leaning: float,
        by_bars: Sequence[Floats],
        by_mask: ByMask,
    ) -> Fits:
        inverse, by_common, covariance = here.equations.eliminated()
        # Who says nothing of what is common still follows it.
        by_common = np.where(self.silent[:, None, None], -inverse @ here.mixed, by_common)
        by_common = np.concatenate([by_common[:, :3], by_mask.sides], axis=2)
        n, bins = len(OWN), np.diff(self.pixels.side_bins)
        scores = np.einsum("bnd,bd->bn", np.repeat(here.follows[:, :n], bins, axis=0), here.sums.scores)
        together = self.pixels.together()
        scores = np.add.reduceat(scores, together, axis=0)
        scattered, side = np.zeros_like(inverse), np.repeat(np.arange(self.count), bins)[together]
        np.add.at(scattered, side, scores[:, :, None] * scores[:, None])
        many = np.bincount(side, minlength=self.count)
        assumed, clustered = (
            np.diagonal(one, axis1=1, axis2=2)[:, :3] for one in (inverse, inverse @ scattered @ inverse)
        )
        own_covariance = line_variances(assumed, clustered, many, self.telling)[:, :, None] * np.eye(3)
        for off in by_bars:
            own_covariance += off[:, :, None] * off[:, None]
        info, misfit = here.sums.info, misfit_px(here.sums.rests, self.telling)
        return Fits(
            at,
            levels,
            self.seen,
            own_covariance,
            by_common,
            Common(at.common, by_mask.joined(covariance * self.doubt), by_mask.values),
            info[:, 1:].sum(axis=1) / np.maximum(info.sum(axis=1), 1e-12),
            shadow_doubt,
            leaning,
            misfit,
            own_misfit_px(here.sums.rests, self.telling, misfit),
        )

    def _leaning(self, focus: Floats) -> float:
        """Chi-square of blurs that are one way on sides that face a light, and another on those that face away.

        Opposite sides have one lens and one motion. Beside dark cloth a hard shadow looks like more cloth and a softer
        edge, so nearly that nothing but this tells it.
        """
        seen = self.seen & ~self.silent
        facing, off = self.axes.outward[seen], focus[seen] / OWN_U[FOCUS]
        if len(off) < FEWEST_FACING:
            return 0.0
        facing, off = facing - facing.mean(axis=0), off - off.mean()
        pull = facing.T @ off
        return float(pull @ np.linalg.solve(facing.T @ facing + np.eye(2) * 1e-3, pull))
