"""Locate straight cloth edges to a few hundredths of a pixel: windows laid, light fitted, and again about the lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common, held_light, in_known_light, unseen
from vision.edge.fit import OWN_PRIOR, SETTLED_PX, Beside, Until, solve
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
from vision.edge.prints.foretelling import read_prints
from vision.edge.sidefits import VALLEY_PX, Sides, moved_axes, told_sides
from vision.edge.sidelight import from_aside, hardly_told
from vision.edge.start.valley import SURELY_INSIDE_PX, likeliest_offsets_px

Floats = NDArray[np.float64]

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


def fit_sides(
    picture: Picture,
    starts: Sequence[SideStart],
    reaches: Sequence[Reach] = (WIDE, NARROW),
    prior: Common | None = None,
) -> Sides:
    """Fit all sides at once; without a `prior` nothing is known of the picture's light but what is possible."""
    if not starts:
        return Sides((), prior or unseen(0.0))
    axes = _axes_of(picture, starts)
    unasked = prior is None and picture.scene.lamp is None
    prior = _before(picture, axes, prior)
    own_cloth = np.array([start.cloth for start in starts], np.int64)
    trims = np.array([start.trims_px for start in starts], float)
    most = [max(reach.inside_px for reach in reaches), max(reach.outside_px for reach in reaches)]
    everything = sample(picture, axes, most[0] + SPARE_PX, most[1] + SPARE_PX, trims, own_cloth)
    if picture.scene.known:
        everything = in_the_light_there(everything, picture.encoder)
    count = np.bincount(everything.side, minlength=len(starts))
    if not count.any():
        return Sides((None,) * len(starts), prior)
    everything, prints = read_prints(everything, axes, picture, picture.noise, own_cloth)
    printed = prints.printed
    steps, coloured = told_by(everything, picture.noise)
    standing_out, coloured = (steps > CLEAR) & ~printed, coloured | printed
    valleys, lined = np.full(len(starts), np.nan), np.ones(len(starts), bool)
    bins_px = np.where(printed, PRINTED_BIN_PX, BIN_PX)
    offsets, bows, fits, last = np.zeros(len(starts)), np.zeros(len(starts)), None, axes
    for reach in reaches:
        placed = everything.placed(axes)
        times = 1.0 if fits is None else min(max(float(fits.common.values[0]) / SHARP_PX, 1.0), MOST_SOFT)
        seen, ends_px = reach.softer(times), _ends_px(axes, trims * times)
        # Far from its place a side that cuts a line is led astray by it: lines are cut when the sides have one.
        cut, told = fits is not None or reach is NARROW, fits.common if fits else prior
        blur_px, blur_u_px = float(told.values[0]), float(np.sqrt(told.covariance[0, 0]))
        if not cut:
            lined = lined_sides(placed, (-seen.inside_px, seen.outside_px), blur_px)
        every = np.ones(len(starts), np.int64)
        if reach is not reaches[-1]:
            every[~(printed | lined)] = _rows_apart(ends_px, steps, blur_px)[~(printed | lined)]
        window = placed.kept(_near(placed, seen, ends_px, offsets, bows, np.zeros(len(starts), bool), every))
        if reach is WIDE and picture.scene.known:
            light = picture.noise, picture.encoder, float(prior.values[0])
            offsets = likeliest_offsets_px(window, placed, *light, printed, standing_out)
            offsets = offsets - _under_shadow_px(placed, picture, axes)
            valleys = np.where(printed, offsets, np.nan)
        if np.any(printed):
            window = placed.kept(_near(placed, seen, ends_px, offsets, bows, printed, every), bins_px)
        count = np.bincount(window.side, minlength=len(starts))
        bars = find_bars(window, axes.outward_px, blur_px, blur_u_px, lined) if cut else NO_BARS
        lined = bars.beside(window.side, len(starts)) if cut else lined
        # What an earlier fit has found is where the next begins, but for prints and where lines were not cut; its axes
        # lie along the lines already.
        start = Unknowns(np.tile(OWN_PRIOR, (len(starts), 1)), prior.values)
        if fits is not None:
            start = Unknowns(np.where((printed | lined)[:, None], start.own, fits.own), fits.common.values)
        start.own[:, :3] = np.column_stack([offsets, np.zeros(len(starts)), bows])
        deep_ends_px = _ends_px(axes, trims * DEEPEST_PX / reach.inside_px)  # a corner's other side comes nearer there
        falls = falling(placed, deep_ends_px, seen.inside_px)
        known = prints.borders, valleys, VALLEY_PX * times, bars, lined, cut, coloured, falls
        here = Beside(
            window, axes, picture.noise, picture.encoder, *known, picture.scene.mask if reach is reaches[-1] else None
        )
        moves_u = np.where(printed | (reach is reaches[-1]), FINELY_U, ROUGHLY_U)
        most_steps = SHADOWED_STEPS if prior.shadowed else reach.steps
        settles_px = SETTLED_PX if reach is reaches[-1] else ROUGHLY_PX
        fits = solve(here, start, prior, Until(most_steps, moves_u, settles_px), fits)
        if unasked and from_aside(fits, prior):  # what a fit that ended early has still to move can seem one
            fits = solve(here, fits.at, prior, Until(most_steps, FINELY_U), fits)
        settled, height_px = reach is reaches[-1], float(np.median(axes.rims.height_px))
        if unasked and (from_aside(fits, prior) or (settled and hardly_told(fits, prior, height_px))):
            unasked, prior = False, unseen(height_px, shadowed=True)
            fits = solve(here, Unknowns(fits.own, prior.values), prior, Until(SHADOWED_STEPS, FINELY_U), fits)
        last, axes, offsets = axes, moved_axes(axes, fits.own[:, :2], picture), np.zeros(len(starts))
        bows, valleys = fits.own[:, 2], valleys - fits.own[:, 0]
    assert fits is not None
    return told_sides(picture, fits, last, axes, everything, window, bars, valleys, prints)


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
