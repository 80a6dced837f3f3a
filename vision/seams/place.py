"""Where a unit's seams lie beside where the laid shape wants them, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from vision.comparing.rigidfit import OTHER_MM, motion_rows, seam_distance
from vision.outlines.sidedoubt import SideDoubt
from vision.polygons import outward_normals, side_lengths, sides_of
from vision.units import Seam

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class PlacedSeam:
    """A seam that was found, beside the expected one: positive to the left, seen along the expected one."""

    index: int  # of the expected seam
    found: Seam  # its ends in the expected order
    offset_mm: float  # across, at the expected seam's middle
    turn_rad: float  # counter-clockwise
    middle_mat_mm: Floats  # (2,) of the expected seam
    left: Floats  # (2,)

    @property
    def turn_u_rad(self) -> float:
        """Of its direction, were its uncertainty across it made of many like places along it (line fit)."""
        return (
            self.found.u_mm
            * math.sqrt(12.0)
            / float(np.hypot(*(self.found.ends_mat_mm[1] - self.found.ends_mat_mm[0])))
        )


def placed_seams(found: Sequence[Seam], expected_mat_mm: Floats) -> list[PlacedSeam]:
    """Each expected seam (S, 2, 2) beside the one found for it; those with none within 6 mm are left out."""
    if not len(expected_mat_mm) or not found:
        return []
    far = np.array([[seam_distance(seam.ends_mat_mm, want) for seam in found] for want in expected_mat_mm])
    wanted, nearest = (indexes.tolist() for indexes in linear_sum_assignment(far))
    pairs = zip(wanted, nearest, strict=True)
    return [_beside(i, found[k], expected_mat_mm[i]) for i, k in pairs if far[i, k] <= OTHER_MM]


def _beside(index: int, seam: Seam, want: Floats) -> PlacedSeam:
    ends = seam.ends_mat_mm
    if (ends[1] - ends[0]) @ (want[1] - want[0]) < 0.0:
        ends = ends[::-1]
    along, wanted = _unit_vector(ends[1] - ends[0]), _unit_vector(want[1] - want[0])
    left, middle = np.array([-wanted[1], wanted[0]]), want.mean(axis=0)
    across = np.array([-along[1], along[0]])
    offset = float((ends[0] - middle) @ across) / float(left @ across)
    turn = math.atan2(float(wanted[0] * along[1] - wanted[1] * along[0]), float(wanted @ along))
    return PlacedSeam(index, Seam(ends, seam.u_mm), offset, turn, middle, left)


def _unit_vector(vector: Floats) -> Floats:
    return np.asarray(vector / np.hypot(*vector))


def common_slopes(corners: Floats, at: Floats, left: Floats) -> tuple[Floats, Floats]:
    """(2N,), (2N,): how a line at a place moves to its left, and turns, with errors that all sides have in common.

    What the rig, the scale or the cloth's height do to a small piece is nearly one linear map of the plane; it is read
    off the sides (least squares), and moves the seam as it moves them.
    """
    half, normals = side_lengths(corners) / 2.0, outward_normals(corners)
    along, middles = sides_of(corners) / (2.0 * half[:, None]), corners + sides_of(corners) / 2.0
    centre = middles.mean(axis=0)
    size = float(np.max(np.abs(middles - centre))) or 1.0
    weights = np.concatenate([np.ones(len(corners)), half])
    design = np.vstack([_offset_rows(middles, normals, centre, size), _turn_rows(along, -normals, size)])
    field = np.linalg.pinv(design * weights[:, None]) * weights
    ahead = np.array([left[1], -left[0]])
    moved, turned = _offset_rows(at[None], left[None], centre, size), _turn_rows(ahead[None], left[None], size)
    return (moved @ field)[0], (turned @ field)[0]


def _offset_rows(at: Floats, normals: Floats, centre: Floats, size: float) -> Floats:
    """(K, 6): displacement along normals, by shift (2) and the map's four slopes times `size`."""
    arm = (at - centre) / size
    return np.hstack([normals, normals[:, :1] * arm, normals[:, 1:] * arm])


def _turn_rows(along: Floats, left: Floats, size: float) -> Floats:
    """(K, 6): turn of lines along unit vectors."""
    return np.hstack([np.zeros((len(along), 2)), left[:, :1] * along / size, left[:, 1:] * along / size])


def seam_slopes(
    corners: Floats, seam: PlacedSeam, motion: Floats, centre: Floats, size: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """(2N,) each: slopes of a seam's offset, then of its turn, by errors of the sides alone and by common ones.

    `motion` (3, 2N) is how the laid shape follows the sides' errors (`FitSlopes`).
    """
    follows = (motion_rows(seam.middle_mat_mm[None], seam.left[None], centre, size) @ motion)[0]
    turns = motion[2] / size
    moved, turned = common_slopes(corners, seam.middle_mat_mm, seam.left)
    return -follows, -turns, moved - follows, turned - turns


def common_part(doubt: SideDoubt) -> Floats:
    """(2N, 2N): covariance of what is not the picture's own noise."""
    return np.asarray(doubt.rig + doubt.scale + doubt.cloth)
