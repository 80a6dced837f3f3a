"""Locate straight cloth edges to a few hundredths of a pixel: windows laid, light fitted, lines carried to the mat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.tone import Tone
from vision.edge.common import Common, doubted_light, doubted_shape, held_light, in_known_light, unseen
from vision.edge.fit import CONTRADICTED, OWN_PRIOR, SETTLED_PX, VALLEY_PX, Beside, Fits, Until, solve
from vision.edge.mistaken import mistaken_px
from vision.edge.model.across import in_the_light_there
from vision.edge.model.barsearch import find_bars, lined_sides
from vision.edge.model.encoding import BGR_OF_YCC, Encoder
from vision.edge.model.light import Unknowns
from vision.edge.model.overexposed import MOSTLY, full_shares, moved_px
from vision.edge.model.ruled import NO_BARS
from vision.edge.pixels.falling import DEEPEST_PX, falling
from vision.edge.pixels.neighbours import Neighbours
from vision.edge.pixels.noise import Noise, encoded_noise
from vision.edge.pixels.sampling import in_reach
from vision.edge.pixels.telling import CLEAR, told_by
from vision.edge.pixels.threads import threads_along
from vision.edge.pixels.windows import BIN_PX, Axes, Window, sample
from vision.edge.prints.foretelling import Prints, read_prints
from vision.edge.start.valley import SURELY_INSIDE_PX, contradicted, likeliest_offsets_px, softness_px
from vision.finding.mat import Scene

Floats = NDArray[np.float64]

PRINTED_PX = 2.2  # inside: of a print only what is next to the edge says how bright the cloth is there
PRINTED_BIN_PX = 3.0  # along it: about what the blur tells apart; where a figure ends within a bin it seems an edge
SPARE_PX = 4.0  # around the widest window, for lines that move
FEWEST = 30  # pixels that make a side
ASTRAY = 0.95  # of the valley's width: the fit lies at its end
SHADOWED_STEPS = 14  # from no direction at all to where the shadow falls
# Of a side's uncertainty: a step that matters no more, at first and at last. What a side has still to move by several
# of its uncertainties would seem a shadow.
ROUGHLY_U, FINELY_U = 0.5, 0.05
ROUGHLY_PX = 0.05  # nor does so small a step at first: it moves no pixel into the next window or out of it
# A plain side's place at first: so many of its rows of pixels are looked at as tell it to so much, but no fewer than
# what all else takes that is not noise.
PLACED_PX, ROWS = 0.007, 40.0
LEANING = 13.8  # chi-square of 2 degrees of freedom that chance exceeds in 1 of 1000 pictures


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
class Picture:
    """What all sides of a picture are fitted in."""

    scene: Scene
    camera: Pinhole
    height_mm: float  # of the cloth's top above the mat
    encoder: Encoder
    noise: Noise
    neighbours: Neighbours | None = None

    @staticmethod
    def of(scene: Scene, camera: Pinhole, height_mm: float, neighbours: Neighbours | None = None) -> Picture:
        """The picture with its noise measured."""
        encoder = _encoder(scene.tone)
        return Picture(scene, camera, height_mm, encoder, encoded_noise(scene, encoder, neighbours), neighbours)


@dataclass(frozen=True, eq=False, slots=True)
class SideStart:
    """Where a side runs about: two points of the mat (2, 2), cloth on its left; what to leave out of each end."""

    ends_mat_mm: Floats
    trims_px: tuple[float, float]
    cloth: int = 0  # its number among the picture's neighbours


@dataclass(frozen=True, eq=False, slots=True)
class SideFit:
    """One side as found: a line through `middle_mat_mm` with the unit vector `along`, cloth on its left.

    Its unknowns are offset (mm, outward), turn (rad, clockwise from above, so outward ahead) and bow (mm, outward).
    """

    middle_mat_mm: Floats  # (2,)
    along: Floats  # (2,)
    length_mm: float
    own_covariance: Floats  # (3, 3) of the unknowns, were what all sides have in common exact
    by_common: Floats  # (3, 8 + Q or 12 + Q): how the unknowns follow an error of what is common, and of the mask
    covariance: Floats  # (3, 3) with the common doubt
    bow_mm: float
    soft_px: float  # standard deviation of its blur, about; NaN if unclear
    colour_share: float  # of what is known of the offset, that comes from the colours and not from luma
    px_per_mm: float
    printed: bool = False  # the cloth varies beside it by more than noise and weave
    misfit_mm: float = 0.0  # by which all sides of the picture may be off outward together, as the model is wrong
    own_misfit_mm: float = 0.0  # by which one of them may be off by itself besides
    untold: float = 0.0  # of how a print varies there, the share that nothing foretells
    dazzled: bool = False  # the mat beside it is brighter than the camera can tell: as bright a cloth would not show


@dataclass(frozen=True, eq=False, slots=True)
class Sides:
    """The fits, None where too few pixels speak, and what all sides of the picture have in common.

    Where any pixels are seen: the axes along the lines as fitted, and the pixels about them, farther than was fitted.
    """

    fits: tuple[SideFit | None, ...]
    common: Common
    axes: Axes | None = None
    placed: Window | None = None


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
        known = prints.borders, valleys, bars, lined, cut, coloured, falls
        here = Beside(
            window, axes, picture.noise, picture.encoder, *known, picture.scene.mask if reach is reaches[-1] else None
        )
        moves_u = np.where(printed | (reach is reaches[-1]), FINELY_U, ROUGHLY_U)
        most_steps = SHADOWED_STEPS if prior.shadowed else reach.steps
        settles_px = SETTLED_PX if reach is reaches[-1] else ROUGHLY_PX
        fits = solve(here, start, prior, Until(most_steps, moves_u, settles_px), fits)
        if unasked and _shadowed(fits):  # what a fit that ended early has still to move can seem one
            fits = solve(here, fits.at, prior, Until(most_steps, FINELY_U), fits)
        if unasked and _shadowed(fits):
            unasked, prior = False, unseen(float(np.median(axes.rims.height_px)), shadowed=True)
            fits = solve(here, Unknowns(fits.own, prior.values), prior, Until(SHADOWED_STEPS, FINELY_U), fits)
        last, axes, offsets = axes, _rebased(axes, fits, picture), np.zeros(len(starts))
        bows, valleys = fits.own[:, 2], valleys - fits.own[:, 0]
    assert fits is not None
    fits = replace(fits, common=_doubted(fits.common, picture, axes))
    placed = everything.placed(axes)
    seen_px, soft_px = window.reach_px(), softness_px(placed)
    # A fit that would leave the valley contradicts the search: then either may be right.
    astray = np.where(np.abs(valleys) > ASTRAY * VALLEY_PX, VALLEY_PX, 0.0)
    bent = np.where(printed & picture.scene.known, fits.own[:, 2], 0.0)
    blur_px = float(fits.common.values[0])
    bent = np.where(contradicted(placed, picture.noise, picture.encoder, blur_px, bent), bent, 0.0)
    # What the camera cannot tell of cloth that is too bright for it, a print's levels least of all.
    full = full_shares(placed)
    moves_px, moves_u = moved_px(placed, picture.noise, picture.encoder, blur_px + fits.own[:, 4], full)
    moves_px[printed] = 0.0
    moves_px[:, 0] += fits.by_common[:, 0, len(fits.at.common) :] @ fits.common.mask
    moved = placed
    if moves_px.any():
        off, turn = moves_px[placed.side].T
        axes = _moved(axes, moves_px, picture)
        moved = replace(placed, across_px=placed.across_px - off - turn * placed.along_px)
    # Only luma tells threads apart: colours are blurred over several.
    by_luma = fits.own_covariance[:, 0, 0] * (1.0 - fits.colour_share) ** 2
    by_threads = threads_along(placed, picture.noise, ~printed) * by_luma
    cloth = picture.encoder.decode(BGR_OF_YCC @ fits.levels.mean[0])
    by_lines = mistaken_px(bars, window, fits.own[:, 0], cloth)
    offsets_u = np.sqrt(astray**2 + moves_u[:, 0] ** 2 + by_threads + by_lines**2)
    doubts = np.column_stack([offsets_u, moves_u[:, 1], bent])
    dazzled = np.asarray(np.all(full[:, 1] > MOSTLY, axis=1))  # no channel tells how bright the mat is
    found = _found(fits, last, axes, seen_px, soft_px, doubts, prints, dazzled)
    fitted = tuple(one if count[s] >= FEWEST else None for s, one in enumerate(found))
    return Sides(fitted, fits.common, axes, moved)


@lru_cache(maxsize=4)
def _encoder(tone: Tone) -> Encoder:
    return Encoder.of(tone)


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


def _doubted(common: Common, picture: Picture, axes: Axes) -> Common:
    """What is common, and how far it is known: the shadows' shapes, and a lamp's shadow that was held for known."""
    lamp = picture.scene.lamp
    if lamp is None:
        return doubted_shape(common)
    reach_mm = np.hypot(*lamp.shadow_mm(axes.middles_mat_mm, picture.height_mm).T)
    return doubted_light(common, lamp.u * float(np.sqrt(np.mean(reach_mm**2))))


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


def _shadowed(fits: Fits) -> bool:
    """Whether what is seen contradicts light from above."""
    return fits.shadow_doubt > CONTRADICTED or fits.leaning > LEANING


def _rebased(axes: Axes, fits: Fits, picture: Picture) -> Axes:
    """Axes along the lines as fitted."""
    return _moved(axes, fits.own[:, :2], picture)


def _moved(axes: Axes, moves_px: Floats, picture: Picture) -> Axes:
    """Axes that lie farther outward and are turned by so much (S, 2): px, and px outward a px ahead."""
    to_mm = 1.0 / axes.scale
    offset, turn = moves_px[:, 0] * to_mm, moves_px[:, 1] * axes.along_px_per_mm * to_mm
    along = axes.along + axes.outward * turn[:, None]
    along /= np.hypot(*along.T)[:, None]
    middles = axes.middles_mat_mm + axes.outward * offset[:, None]
    return Axes.at(picture.camera, picture.height_mm, middles, along, axes.lengths_mm, picture.scene.lamp)


def _found(
    fits: Fits,
    axes: Axes,
    placed: Axes,
    seen_px: Floats,
    soft_px: Floats,
    doubts_px: Floats,
    prints: Prints,
    dazzled: NDArray[np.bool_],
) -> list[SideFit]:
    """All S sides on the mat; `doubts_px` (S, 3) of offset, turn and bow come to what the pixels say."""
    to_mm = 1.0 / axes.scale
    # A parabola's height over the whole side, from that over what was seen of it.
    whole = (axes.lengths_mm * axes.along_px_per_mm / 2.0 / np.maximum(seen_px, 1.0)) ** 2
    units = np.column_stack([to_mm, axes.along_px_per_mm * to_mm, to_mm * whole])
    own_covariance = fits.own_covariance * units[:, :, None] * units[:, None]
    own_covariance[:, range(3), range(3)] += (doubts_px * units) ** 2
    by_common, misfit_mm = fits.by_common * units[:, :, None], fits.misfit_px * to_mm
    covariance = own_covariance + by_common @ fits.common.covariance @ np.swapaxes(by_common, 1, 2)
    covariance[:, 0, 0] += misfit_mm**2
    return [
        SideFit(
            placed.middles_mat_mm[s],
            placed.along[s],
            float(axes.lengths_mm[s]),
            own_covariance[s],
            by_common[s],
            covariance[s],
            float(fits.own[s, 2] * units[s, 2]),
            float(soft_px[s]),
            float(fits.colour_share[s]),
            float(1.0 / to_mm[s]),
            bool(prints.printed[s]),
            float(misfit_mm[s]),
            float(fits.own_misfit_px * to_mm[s]),
            float(prints.untold[s]),
            bool(dazzled[s]),
        )
        for s in range(len(to_mm))
    ]
