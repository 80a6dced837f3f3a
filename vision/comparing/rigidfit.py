"""Lay an expected shape on a measured outline: the best rigid fit, and what it makes of doubt of the sides.

The fit is the least squares of the side midpoints' offsets, all of one weight. Midpoints alone hardly see a rectangle
turn: where they say nothing, whole sides decide (two points each, of Gauss-Legendre's quadrature, which is exact for
the square of a straight line's distance).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.comparing.expected import ExpectedShape
from vision.comparing.laying import farthest_off, laid_on
from vision.polygons import outward_normals, side_lengths, sides_of
from vision.units import MeasuredUnit, Seam

Floats = NDArray[np.float64]

OTHER_MM = 6.0  # farther off than this at a corner is another shape
BLIND = 0.1  # of what side midpoints see best: a motion that they see less of is not theirs to decide
SAME_MISFIT_MM = 0.02  # two numberings of a symmetric shape fit as well as each other
MIRROR_MM = 1.0  # a mirror image nearer than this to the shape is the same shape
SEAM_LOST_MM = 20.0  # so far off, a seam is simply not there


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """An expected shape laid on a measured outline.

    `shape` is the one that was laid, already mirrored where `mirrored`. `roll` is how far the outline's numbering is
    turned against its; `corners_mat_mm` and `seams_mat_mm` are where its corners and seams come to lie.
    """

    shape: ExpectedShape
    roll: int
    mirrored: bool
    corners_mat_mm: Floats  # (N, 2)
    seams_mat_mm: Floats  # (S, 2, 2)
    offsets_mm: Floats  # (N,) of the unit's side midpoints, positive outward, in the order of those corners
    misfit_mm: float
    worst_corner_mm: float
    seam_off_mm: float  # how far the worst seam's end is from any found, at most `SEAM_LOST_MM`


def best_fit(unit: MeasuredUnit, shape: ExpectedShape) -> Fit | None:
    """The best of all turns of the numbering, either side up; None where the number of sides differs.

    A mirror image is chosen only where it explains the outline, or else the seams, better by a clear step.
    """
    if len(unit.corners_mat_mm) != len(shape.corners_mm):
        return None
    upright = _best_roll(unit, shape, mirrored=False)
    if max(upright.worst_corner_mm, upright.seam_off_mm) <= MIRROR_MM:
        return upright  # nothing can be nearer by a clear step
    turned = _best_roll(unit, shape.mirrored(), mirrored=True)
    by_outline = turned.worst_corner_mm + MIRROR_MM < upright.worst_corner_mm
    by_seams = turned.seam_off_mm + MIRROR_MM < upright.seam_off_mm
    by_seams &= turned.worst_corner_mm < upright.worst_corner_mm + MIRROR_MM
    return turned if (by_outline or by_seams) and turned.misfit_mm < 0.5 * upright.misfit_mm else upright


def may_fit(unit: MeasuredUnit, shape: ExpectedShape) -> bool:
    """Whether the shape, either side up, may lie within 6 mm of the outline at every corner.

    Laid on it by least squares its corners' distances have the least RMS of any way to lay it, and the worst of N is at
    most sqrt N times their RMS: where that is more than it could be, no fit is near.
    """
    n = len(unit.corners_mat_mm)
    if n != len(shape.corners_mm):
        return False
    least = (_farthest_off(unit, one).min() for one in (shape, shape.mirrored()))
    return bool(min(least) <= math.sqrt(n) * OTHER_MM)


def fit_numbered(unit: MeasuredUnit, shape: ExpectedShape, roll: int) -> Fit:
    """The fit of a unit that lies face up, its corner 0 on the shape's corner `roll`."""
    return _fit(unit, shape, roll, mirrored=False)


def _best_roll(unit: MeasuredUnit, shape: ExpectedShape, mirrored: bool) -> Fit:
    """The best numbering, of those that do not lay corners far farther off than another does."""
    far = _farthest_off(unit, shape)
    near = np.flatnonzero(far <= 2.0 * (far.min() + OTHER_MM))
    return _lowest([_fit(unit, shape, int(roll), mirrored) for roll in near], unit)


def _farthest_off(unit: MeasuredUnit, shape: ExpectedShape) -> Floats:
    return farthest_off(np.ascontiguousarray(shape.corners_mm, np.float64), np.ascontiguousarray(unit.corners_mat_mm))


def _lowest(fits: Sequence[Fit], unit: MeasuredUnit) -> Fit:
    """The best fit; of those that a symmetric shape makes equal, the one whose corner 0 lies lowest on the mat."""
    least = min(fit.misfit_mm for fit in fits)
    equal = [fit for fit in fits if fit.misfit_mm <= least + SAME_MISFIT_MM]
    return min(equal, key=lambda fit: tuple(unit.corners_mat_mm[-fit.roll % len(unit.corners_mat_mm)][::-1]))


def _fit(unit: MeasuredUnit, shape: ExpectedShape, roll: int, mirrored: bool) -> Fit:
    corners = unit.corners_mat_mm
    measured = np.concatenate([corners[len(corners) - roll :], corners[: len(corners) - roll]])
    laid = laid_on(np.ascontiguousarray(shape.corners_mm, np.float64), measured, BLIND)
    seams = shape.seams_mm @ turn_matrix(laid.angle).T + laid.shift
    seam_off = _seam_off(unit.seams, seams)
    misfit = math.sqrt(float(np.mean(laid.offsets**2)) + (laid.worst / 10.0) ** 2) + seam_off / SEAM_LOST_MM
    return Fit(shape, roll, mirrored, laid.corners, seams, laid.offsets, misfit, laid.worst, seam_off)


def turn_matrix(angle: float) -> Floats:
    """(2, 2), counter-clockwise."""
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def motion_rows(points: Floats, normals: Floats, centre: Floats, size: float) -> Floats:
    """(K, 3): how points (K, 2) of a moving body move along the normals, by its shift (2) and its turn times `size`."""
    arm = points - centre
    return np.column_stack([normals, (normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]) / size])


def _size(points: Floats) -> float:
    return float(np.sqrt(np.mean(np.sum((points - points.mean(axis=0)) ** 2, axis=1))))


@dataclass(frozen=True, eq=False, slots=True)
class FitSlopes:
    """What small errors of the sides (2N: N offsets in mm outward, N tilts in rad) do to the rigid fit.

    The laid shape moves by `motion` (3, 2N): a shift in mm and a turn about `centre_mat_mm`, times `size_mm`. The
    offsets from it change by `offsets` (N, 2N): what moves all sides like one body drops out.
    """

    centre_mat_mm: Floats
    size_mm: float
    motion: Floats
    offsets: Floats


def fit_slopes(corners: Floats) -> FitSlopes:
    """The slopes of the rigid fit of about this outline (N, 2), by implicit differentiation of its two stages."""
    n, normals, half = len(corners), outward_normals(corners), sides_of(corners) / 2.0
    middles, inner_mm = corners + half, side_lengths(corners) / 2.0 / math.sqrt(3.0)
    centre, size = middles.mean(axis=0), _size(middles)
    inner = half / math.sqrt(3.0)
    points = np.concatenate([middles - inner, middles + inner])
    alone = np.hstack([np.eye(n), np.zeros((n, n))])
    tilted = np.hstack([np.zeros((n, n)), np.diag(inner_mm)])
    by_sides = np.vstack([alone + tilted, alone - tilted])
    motion = np.linalg.pinv(motion_rows(points, np.tile(normals, (2, 1)), centre, size)) @ by_sides
    rows = motion_rows(middles, normals, centre, size)
    motion += np.linalg.pinv(rows, rcond=BLIND) @ (alone - rows @ motion)
    return FitSlopes(centre, size, motion, alone - rows @ motion)


def _seam_off(found: Sequence[Seam], expected: Floats) -> float:
    """How far the worst seam's ends are from where any was found: it decides between turns that sides cannot tell."""
    if not len(expected) or not found:
        return 0.0
    nearest = [min(seam_distance(seam.ends_mat_mm, want) for seam in found) for want in expected]
    return min(max(nearest), SEAM_LOST_MM)


def seam_distance(found: Floats, want: Floats) -> float:
    """mm between the farther ends of two seams (2, 2), whichever way they run."""
    return min(float(np.max(np.hypot(*(ends - want).T))) for ends in (found, found[::-1]))
