"""What is said of fitted sides: lines on the mat, and all that is doubted of them besides what pixels' noise leaves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common, doubted_light, doubted_shape, unexplained
from vision.edge.figured import drawn_u, figures_share
from vision.edge.fit import Fits
from vision.edge.guessed import strays_px
from vision.edge.mistaken import mistaken_px
from vision.edge.model.encoding import BGR_OF_YCC
from vision.edge.model.overexposed import MOSTLY, full_shares, moved_px
from vision.edge.model.ruled import Bars
from vision.edge.picture import Picture
from vision.edge.pixels.threads import threads_along
from vision.edge.pixels.windows import Axes, Window
from vision.edge.prints.foretelling import Prints
from vision.edge.start.valley import contradicted, softness_px

Floats = NDArray[np.float64]

FEWEST = 30  # pixels that make a side
VALLEY_PX = 1.5  # from where a search found the mat beside a print its fit may move, in a sharp picture
ASTRAY = 0.95  # of that: in a sharp picture the fit lies at its end


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
    blur_px: float = 1.0  # of luma in the picture, a standard deviation
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


def told_sides(
    picture: Picture,
    fits: Fits,
    last: Axes,
    axes: Axes,
    everything: Window,
    window: Window,
    bars: Bars,
    valleys: Floats,
    prints: Prints,
) -> Sides:
    """What is said of the sides once they are fitted: moved by what the camera does, with all that is doubted of them.

    The fit was of the pixels of `window` in the axes `last`, which `axes` have followed.
    """
    printed, count = prints.printed, np.bincount(window.side, minlength=window.count)
    fits = replace(fits, common=_doubted(unexplained(fits.common, fits.shadow_doubt), picture, axes))
    placed = everything.placed(axes)
    seen_px, soft_px = window.reach_px(), softness_px(placed)
    # A fit that leaves the valley contradicts the search: then either may be right.
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
        axes = moved_axes(axes, moves_px, picture)
        moved = replace(placed, across_px=placed.across_px - off - turn * placed.along_px)
    # Only luma tells threads apart: colours are blurred over several.
    by_luma = fits.own_covariance[:, 0, 0] * (1.0 - fits.colour_share) ** 2
    by_threads = threads_along(placed, picture.noise, ~printed) * by_luma
    cloth = picture.encoder.decode(BGR_OF_YCC @ fits.levels.mean[0])
    by_lines = mistaken_px(bars, window, fits.own[:, 0], cloth, picture.scene.known)
    drawn = drawn_u(fits.own[:, 2], fits.own_covariance[:, 2, 2], figures_share(fits.levels, picture.noise, prints))
    strays = np.zeros(window.count) if picture.scene.known else strays_px(window.mat_about(), cloth, blur_px)
    offsets_u = np.sqrt(astray**2 + moves_u[:, 0] ** 2 + by_threads + by_lines**2 + drawn[0] ** 2)
    turns_u = np.hypot(moves_u[:, 1], np.hypot(drawn[1], strays) / window.reach_px())
    doubts = np.column_stack([offsets_u, turns_u, np.hypot(bent, strays)])
    dazzled = np.asarray(np.all(full[:, 1] > MOSTLY, axis=1))  # no channel tells how bright the mat is
    found = _found(fits, last, axes, seen_px, soft_px, doubts, prints, dazzled)
    fitted = tuple(one if count[s] >= FEWEST else None for s, one in enumerate(found))
    return Sides(fitted, fits.common, axes, moved)


def _doubted(common: Common, picture: Picture, axes: Axes) -> Common:
    """What is common, and how far it is known: the shadows' shapes, and a lamp's shadow that was held for known."""
    lamp = picture.scene.lamp
    if lamp is None:
        return doubted_shape(common)
    reach_mm = np.hypot(*lamp.shadow_mm(axes.middles_mat_mm, picture.height_mm).T)
    return doubted_light(common, lamp.u * float(np.sqrt(np.mean(reach_mm**2))))


def moved_axes(axes: Axes, moves_px: Floats, picture: Picture) -> Axes:
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
            float(fits.common.values[0]),
            bool(dazzled[s]),
        )
        for s in range(len(to_mm))
    ]
