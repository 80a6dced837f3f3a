"""Locate straight cloth edges to a few hundredths of a pixel: windows laid, light fitted, and again about the lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common, held_light, in_known_light, unseen
from vision.edge.fit import OWN_PRIOR, SETTLED_PX, Beside, Fits, Until, solve
from vision.edge.model.across import in_the_light_there
from vision.edge.model.barsearch import find_bars, lined_sides
from vision.edge.model.encoding import BGR_OF_YCC
from vision.edge.model.light import Unknowns
from vision.edge.model.ruled import NO_BARS
from vision.edge.picture import Picture
from vision.edge.pixels.falling import DEEPEST_PX, falling
from vision.edge.pixels.sampling import in_reach
from vision.edge.pixels.telling import CLEAR, told_by
from vision.edge.pixels.windows import BIN_PX, Axes, Window, sample
from vision.edge.prints.foretelling import Prints, read_prints
from vision.edge.sidefits import VALLEY_PX, Sides, moved_axes, told_sides
from vision.edge.sidelight import from_aside, hardly_told
from vision.edge.start.valley import SURELY_INSIDE_PX, likeliest_offsets_px

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PRINTED_PX = 2.2  # inside: of a print only what is next to the edge says how bright the cloth is there
PRINTED_BIN_PX = 3.0  # along it: about what the blur tells apart; where a figure ends within a bin it seems an edge
SPARE_PX = 4.0  # around the widest window, for lines that move
SHADOWED_STEPS = 14  # from no direction at all to where the shadow falls
# Of a side's uncertainty: a step that matters no more, at first and at last. What a side has still to move by several
# of its uncertainties would seem a shadow.
ROUGHLY_U, FINELY_U = 0.5, 0.05
ROUGHLY_PX = 0.05  # nor does so small a step at first: it moves no pixel into the next window or out of it
# A plain side's place at first: so many of its rows of pixels are looked at as tell it to so much, but no fewer than
# what all else takes that is not noise.
PLACED_PX, ROWS = 0.007, 40.0


@dataclass(frozen=True, slots=True)
class Reach:
    """Which pixels speak for a side: how far inside and outside it; and the steps of the fit."""

    inside_px: float
    outside_px: float
    steps: int

    def softer(self, times: float) -> Reach:
        """The same for an edge that is so many `times` as soft: it takes as much more to see what lies beyond it."""
        return replace(self, inside_px=self.inside_px * times, outside_px=self.outside_px * times)


SHARP_PX, MOST_SOFT = 1.0, 1.8  # blur for which these are meant; times as soft, for which there are pixels
WIDE = Reach(6.0, 7.5, 6)
NARROW = Reach(3.5, 5.0, 6)


@dataclass(frozen=True, eq=False, slots=True)
class SideStart:
    """Where a side runs about: two points of the mat (2, 2), cloth on its left; what to leave out of each end."""

    ends_mat_mm: Floats
    trims_px: tuple[float, float]
    cloth: int = 0  # its number among the picture's neighbours


@dataclass(frozen=True, eq=False, slots=True)
class _Seen:
    """What is seen of S sides, wherever their lines come to lie, and what it tells of them before any fit."""

    picture: Picture
    everything: Window
    prints: Prints
    trims_px: Floats  # (S, 2)
    steps: Floats  # (S,) of luma between cloth and mat, over a pixel's noise
    coloured: Bools  # (S,) whether colours tell anything
    standing_out: Bools  # (S,) plain cloth that is clearly told from the mat


@dataclass(frozen=True, eq=False, slots=True)
class _Course:
    """How far it has come: where the lines are known to lie, the last fit, and what that was of."""

    prior: Common
    unasked: bool  # whether light from one side may still be asked for
    axes: Axes
    valleys_px: Floats  # (S,) where cloth and mat part best; NaN where that was not sought
    lined: Bools  # (S,) which sides may lie beside lines of the mat
    fits: Fits | None = None
    beside: Beside | None = None

    @property
    def bows_px(self) -> Floats:
        """(S,) of the sides; they are straight before a fit."""
        return self.fits.own[:, 2] if self.fits else np.zeros(len(self.lined))


def fit_sides(
    picture: Picture,
    starts: Sequence[SideStart],
    reaches: Sequence[Reach] = (WIDE, NARROW),
    prior: Common | None = None,
) -> Sides:
    """Fit all sides at once; without a `prior` nothing is known of the picture's light but what is possible."""
    if not starts:
        return Sides((), prior or unseen(0.0))
    axes, count = _axes_of(picture, starts), len(starts)
    unasked, prior = prior is None and picture.scene.lamp is None, _before(picture, axes, prior)
    seen = _seen(picture, starts, axes, reaches)
    if seen is None:
        return Sides((None,) * count, prior)
    course = _Course(prior, unasked, axes, np.full(count, np.nan), np.ones(count, bool))
    for reach in reaches:
        course = _followed(seen, course, reach, reach is reaches[-1])
    fits, beside = course.fits, course.beside
    assert fits is not None
    assert beside is not None
    known = beside.window, beside.bars, course.valleys_px, seen.prints
    return told_sides(picture, fits, beside.axes, course.axes, seen.everything, *known)


def _seen(picture: Picture, starts: Sequence[SideStart], axes: Axes, reaches: Sequence[Reach]) -> _Seen | None:
    """None where no side has a pixel."""
    cloths = np.array([start.cloth for start in starts], np.int64)
    trims_px = np.array([start.trims_px for start in starts], float)
    inside, outside = max(reach.inside_px for reach in reaches), max(reach.outside_px for reach in reaches)
    everything = sample(picture, axes, inside + SPARE_PX, outside + SPARE_PX, trims_px, cloths)
    if picture.scene.known:
        everything = in_the_light_there(everything, picture.encoder)
    if not len(everything.side):
        return None
    everything, prints = read_prints(everything, axes, picture, picture.noise, cloths)
    steps, coloured = told_by(everything, picture.noise)
    standing_out = (steps > CLEAR) & ~prints.printed
    return _Seen(picture, everything, prints, trims_px, steps, coloured | prints.printed, standing_out)


def _followed(seen: _Seen, course: _Course, reach: Reach, settles: bool) -> _Course:
    """One fit of the pixels within `reach` of the lines as they are known, and the lines as it finds them.

    It `settles` them where it is the last one.
    """
    printed, fits = seen.prints.printed, course.fits
    here, offsets = _beside(seen, course, reach, settles)
    # What an earlier fit has found is where this one begins, but for prints and where lines were not cut; its axes lie
    # along the lines already.
    start = Unknowns(np.tile(OWN_PRIOR, (len(printed), 1)), course.prior.values)
    if fits:
        start = Unknowns(np.where((printed | here.lined)[:, None], start.own, fits.own), fits.common.values)
    start.own[:, :3] = np.column_stack([offsets, np.zeros(len(printed)), course.bows_px])
    moves_u = np.where(printed | settles, FINELY_U, ROUGHLY_U)
    most_steps = SHADOWED_STEPS if course.prior.shadowed else reach.steps
    until = Until(most_steps, moves_u, SETTLED_PX if settles else ROUGHLY_PX)
    fits, prior = _in_what_light(here, start, course, until, settles)
    moved = moved_axes(here.axes, fits.own[:, :2], seen.picture)
    unasked = course.unasked and prior is course.prior
    return _Course(prior, unasked, moved, here.valleys_px - fits.own[:, 0], here.lined, fits, here)


def _beside(seen: _Seen, course: _Course, reach: Reach, settles: bool) -> tuple[Beside, Floats]:
    """What is seen within `reach` of the lines, and how far from these (S,) px the fit is to begin."""
    picture, axes, printed, fits = seen.picture, course.axes, seen.prints.printed, course.fits
    placed = seen.everything.placed(axes)
    times = min(max(float(fits.common.values[0]) / SHARP_PX, 1.0), MOST_SOFT) if fits else 1.0
    reached, ends_px = reach.softer(times), _ends_px(axes, seen.trims_px * times)
    # Far from its place a side that cuts a line is led astray by it: lines are cut when the sides have one.
    cut, told = fits is not None or reach is NARROW, fits.common if fits else course.prior
    blur_px, blur_u_px = float(told.values[0]), float(np.sqrt(told.covariance[0, 0]))
    lined = course.lined if cut else lined_sides(placed, (-reached.inside_px, reached.outside_px), blur_px)
    every = np.ones(len(printed), np.int64)
    if not settles:
        every[~(printed | lined)] = _rows_apart(ends_px, seen.steps, blur_px)[~(printed | lined)]
    offsets, valleys, bows = np.zeros(len(printed)), course.valleys_px, course.bows_px
    window = placed.kept(_near(placed, reached, ends_px, offsets, bows, np.zeros(len(printed), bool), every))
    if reach is WIDE and picture.scene.known:
        light = picture.noise, picture.encoder, float(course.prior.values[0])
        offsets = likeliest_offsets_px(window, placed, *light, printed, seen.standing_out)
        offsets = offsets - _under_shadow_px(placed, picture, axes)
        valleys = np.where(printed, offsets, np.nan)
    if np.any(printed):
        bins_px = np.where(printed, PRINTED_BIN_PX, BIN_PX)
        window = placed.kept(_near(placed, reached, ends_px, offsets, bows, printed, every), bins_px)
    bars = find_bars(window, axes.outward_px, blur_px, blur_u_px, lined) if cut else NO_BARS
    lined = bars.beside(window.side, len(printed)) if cut else lined
    # Deeper in, a corner's other side comes nearer.
    falls = falling(placed, _ends_px(axes, seen.trims_px * DEEPEST_PX / reach.inside_px), reached.inside_px)
    known = seen.prints.borders, valleys, VALLEY_PX * times, bars, lined, cut, seen.coloured, falls
    mask = picture.scene.mask if settles else None
    return Beside(window, axes, picture.noise, picture.encoder, *known, mask), offsets


def _in_what_light(here: Beside, start: Unknowns, course: _Course, until: Until, settles: bool) -> tuple[Fits, Common]:
    """The fit, in usual light or, where that does not explain what is seen, in light from one side; and its prior."""
    prior, fits = course.prior, solve(here, start, course.prior, until, course.fits)
    if not course.unasked:
        return fits, prior
    if from_aside(fits, prior):  # what a fit that ended early has still to move can seem one
        fits = solve(here, fits.at, prior, Until(until.steps, FINELY_U), fits)
    height_px = float(np.median(here.axes.rims.height_px))
    if from_aside(fits, prior) or (settles and hardly_told(fits, prior, height_px)):
        prior = unseen(height_px, shadowed=True)
        fits = solve(here, Unknowns(fits.own, prior.values), prior, Until(SHADOWED_STEPS, FINELY_U), fits)
    return fits, prior


def _before(picture: Picture, axes: Axes, prior: Common | None) -> Common:
    """What is known of the picture's light before these sides are seen; `prior` says what others showed of it."""
    lamp, height_px = picture.scene.lamp, float(np.median(axes.rims.height_px))
    if lamp is None:
        return prior or unseen(height_px)
    return in_known_light(height_px, lamp.share) if prior is None or not prior.shadowed else held_light(prior)


def _under_shadow_px(placed: Window, picture: Picture, axes: Axes) -> Floats:
    """(S,): how far a search for the mat goes past cloth that is nearer to the lamp's shadow than to the lit mat."""
    if picture.scene.lamp is None:
        return np.zeros(placed.count)
    light = picture.encoder.decode(BGR_OF_YCC @ placed.seen).sum(axis=0)
    half_lit = placed.bare.sum(axis=0) * (1.0 - picture.scene.lamp.share / 2.0)
    inside = placed.across_px < -SURELY_INSIDE_PX
    darker = np.bincount(placed.side[inside], (light - half_lit)[inside], placed.count) < 0.0
    return np.where(darker, np.maximum(axes.rims.reach_px, 0.0), 0.0)


def _axes_of(picture: Picture, starts: Sequence[SideStart]) -> Axes:
    ends = np.array([start.ends_mat_mm for start in starts])
    away = ends[:, 1] - ends[:, 0]
    lengths = np.hypot(*away.T)
    middles, lamp = ends.mean(axis=1), picture.scene.lamp
    return Axes.at(picture.camera, picture.height_mm, middles, away / lengths[:, None], lengths, lamp)


def _near(
    placed: Window,
    reach: Reach,
    ends_px: Floats,
    offsets_px: Floats,
    bows_px: Floats,
    printed: NDArray[np.bool_],
    every: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """(N,): the pixels within reach of each side's line, as it is bowed, and its ends; of prints (S,) less inside."""
    inside_px, middles_px = np.where(printed, PRINTED_PX, reach.inside_px), np.where(printed, offsets_px, 0.0)
    lines = np.column_stack([middles_px, bows_px, placed.reach_px(), -inside_px, ends_px])
    return in_reach(placed.across_px, placed.along_px, placed.side, lines, reach.outside_px, every)


def _rows_apart(ends_px: Floats, steps: Floats, blur_px: float) -> NDArray[np.int64]:
    """(S,): one in how many rows of pixels across sides are enough at first, `steps` (S,) being those of luma.

    In units of a pixel's noise. A row tells the place of a blurred edge by step^2 / (2 root(pi) blur) (Fisher's
    information, an integral over the edge's density squared).
    """
    enough = 2.0 * math.sqrt(math.pi) * blur_px / (PLACED_PX * np.maximum(steps, 1.0)) ** 2
    return np.maximum((ends_px[:, 1] - ends_px[:, 0]) // np.maximum(enough, ROWS), 1.0).astype(np.int64)


def _ends_px(axes: Axes, trims_px: Floats) -> Floats:
    """(S, 2): from where and up to where along their sides pixels lie `trims_px` (S, 2) within the ends."""
    half_px = axes.lengths_mm * axes.along_px_per_mm / 2.0
    return np.column_stack([trims_px[:, 0] - half_px, half_px - trims_px[:, 1]])
