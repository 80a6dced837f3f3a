"""How sure the sides of a unit are, all together: from the picture, the rig, its scale, and the cloth's thickness."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.projection import mat_by_parameters
from calibration.rig import Device
from vision.edge.common import Common
from vision.edge.sidefits import SideFit
from vision.outlines.sidedoubt import SideDoubt
from vision.polygons import outward_normals, side_lengths, sides_of

Floats = NDArray[np.float64]

LEAST_FLOOR_PX = 0.002  # what the model of an edge is wrong by where the picture shows nothing: what 8 bits leave
PRINT_FLOOR = 0.06  # of the blur: a print's own figures at its edge, of which nothing else is known
FORETOLD_SHARE = (
    0.5  # of that floor, however well a print is foretold: what is foretold is cut, and blurred, as a model
)
TILT_SHARE = 1.5  # of the floors' squares over the length: errors alike along a side shift it more than they turn it
BOW_SHARE = 0.7  # of the floors' squares: 45/4 for errors of like samples, and a bow is farther still from a shift
COLOUR_FLOOR_PX = 0.10  # what mosaic and compression may do to an edge that only colour shows


@dataclass(frozen=True, slots=True)
class Cloth:
    """How far the cloth's top lies above the mat, and how sure that is."""

    height_mm: float = 0.4
    u_mm: float = 0.06


PLAIN_CLOTH = Cloth()


@dataclass(frozen=True, eq=False, slots=True)
class Trust:
    """What the rig adds to every figure's uncertainty: its own at a point, and relative to a length.

    With the solved `camera` the points of a unit err together as its covariance says; without, each by `rig_u_mm`.
    """

    rig_u_mm: float = 0.0
    scale_u: float = 0.0
    camera: Device | None = None


SURE_RIG = Trust()


def doubt_of(
    corners: Floats, sides: tuple[SideFit, ...], common: Common, camera: Pinhole, cloth: Cloth, trust: Trust
) -> SideDoubt:
    """The joint covariance of the sides of a fitted outline (N, 2)."""
    return SideDoubt(
        corners,
        _of_picture(corners, sides, common),
        _of_rig(corners, camera, cloth, trust),
        _of_scale(corners, trust),
        _of_cloth(corners, camera, cloth),
    )


def _of_picture(corners: Floats, sides: tuple[SideFit, ...], common: Common) -> Floats:
    """Each side's own fit, what the model does not know, and what all sides have in common."""
    n = len(sides)
    together = np.array([side.misfit_mm for side in sides] + [0.0] * n)
    # The line is known about the middle of what was seen of it; the side's own midpoint may lie elsewhere.
    off = corners + sides_of(corners) / 2.0 - np.array([side.middle_mat_mm for side in sides])
    carry = np.tile([[1.0, 0.0], [0.0, -1.0]], (n, 1, 1))  # (N, 2, 2): offset there, and the tilt counter-clockwise
    carry[:, 0, 1] = np.sum(off * np.array([side.along for side in sides]), axis=1)
    alone = np.array([side.own_covariance[:2, :2] for side in sides])
    floors_mm = np.array([_floor_mm(side) for side in sides])
    alone[:, 0, 0] += floors_mm**2
    alone[:, 1, 1] += TILT_SHARE * (floors_mm / np.array([side.length_mm for side in sides])) ** 2
    own, at = np.zeros((2, n, 2, n)), np.arange(n)
    own[:, at, :, at] = carry @ alone @ carry.swapaxes(1, 2)
    follow = (carry @ np.array([side.by_common[:2] for side in sides])).swapaxes(0, 1).reshape(2 * n, -1)
    shared = follow @ common.covariance @ follow.T + np.outer(together, together)
    return np.asarray(own.reshape(2 * n, 2 * n) + shared)


def bows_u_mm(sides: tuple[SideFit, ...]) -> Floats:
    """(N,): standard uncertainty of each side's bow."""
    return np.sqrt([side.covariance[2, 2] + BOW_SHARE * _floor_mm(side) ** 2 for side in sides])


def _floor_mm(side: SideFit) -> float:
    """What the model of the edge's light may be wrong by at this side."""
    if side.printed:
        alone = PRINT_FLOOR * side.blur_px * max(side.untold, FORETOLD_SHARE)
    else:
        alone = math.hypot(LEAST_FLOOR_PX, side.own_misfit_mm * side.px_per_mm)
    return math.hypot(alone, COLOUR_FLOOR_PX * side.colour_share) / side.px_per_mm


def _of_rig(corners: Floats, camera: Pinhole, cloth: Cloth, trust: Trust) -> Floats:
    """What the solved camera does not know moves all sides together; a rigid motion of the whole does no harm."""
    n = len(corners)
    if trust.camera is None:
        return np.diag(np.concatenate([np.full(n, trust.rig_u_mm**2), np.zeros(n)]))
    slopes = mat_by_parameters(trust.camera.pinhole, _end_points(corners), cloth.height_mm)
    follow = _of_ends(corners, slopes)
    return np.asarray(follow @ trust.camera.covariance @ follow.T)


def _of_scale(corners: Floats, trust: Trust) -> Floats:
    """A wrong scale: the unit grows about its middle."""
    follow = _grown(corners, corners.mean(axis=0))
    return trust.scale_u**2 * np.outer(follow, follow)


def _of_cloth(corners: Floats, camera: Pinhole, cloth: Cloth) -> Floats:
    """A wrong height of the cloth's top: what pixels show there grows about the lens' foot."""
    lens = camera.lens_mat_mm
    follow = _grown(corners, lens[:2]) / (lens[2] - cloth.height_mm)
    return cloth.u_mm**2 * np.outer(follow, follow)


def _grown(corners: Floats, centre: Floats) -> Floats:
    """(2N,): sides' offsets and tilts when the outline grows about `centre` by its own size."""
    middles = corners + sides_of(corners) / 2.0
    return np.concatenate([np.sum((middles - centre) * outward_normals(corners), axis=1), np.zeros(len(corners))])


def _end_points(corners: Floats) -> Floats:
    """(2N, 2): start and end of each side in turn."""
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1).reshape(-1, 2)


def _of_ends(corners: Floats, slopes: Floats) -> Floats:
    """(2N, P): sides' offsets and tilts from how their end points (2N, 2, P) move."""
    outward = np.einsum("nk,nekp->nep", outward_normals(corners), slopes.reshape(len(corners), 2, 2, -1))
    offsets = outward.mean(axis=1)
    tilts = -(outward[:, 1] - outward[:, 0]) / side_lengths(corners)[:, None]
    return np.concatenate([offsets, tilts])
