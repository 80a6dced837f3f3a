"""Where a unit that is too large is trimmed: the expected shape laid on it so that the fewest sides must be cut."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from projector.guide.turning import must_turn
from projector.guide.units.layout import REACH_MM, CutLine, Floats, Side, crossing
from projector.piecing.plans import Hand
from vision.comparing.expected import ExpectedShape
from vision.comparing.rigidfit import best_fit, motion_rows, turn_matrix
from vision.polygons import outward_normals, side_distances, side_lengths, sides_of
from vision.units import MeasuredUnit

AS_GOOD_MM = 0.1  # nobody cuts truer
PARALLEL = math.cos(math.radians(5.0))  # of two sides that have a width between them


@dataclass(frozen=True, eq=False, slots=True)
class _Laid:
    """The shape laid on a unit by the sides that are left as they are."""

    corners_mat_mm: Floats  # (N, 2)
    cut: tuple[int, ...]  # sides that are cut
    outside_mm: Floats  # (N, 2) how far both ends of each side of the unit lie outside

    @property
    def left(self) -> list[int]:
        return [side for side in range(len(self.outside_mm)) if side not in self.cut]

    @property
    def misfit_mm(self) -> float:
        """Of the sides that are left, at their worst end."""
        return float(np.abs(self.outside_mm[self.left]).max())


def trim_line(unit: MeasuredUnit, shape: ExpectedShape, hand: Hand, shift_mm: float = 0.0) -> CutLine | None:
    """The next cut that brings a unit to the expected shape, the unit kept; None where no cuts can.

    As few sides are cut as can be. The shape is laid on the others (least squares over two points of each), which must
    then be within their tolerances at both ends, while of the sides to be cut nothing is missing. Of several ways
    the one whose other sides fit best is taken, of equal ones one that needs no turning of the unit. Where several
    sides are to be cut, the one that is farthest off comes first: after it the unit is measured again.

    `shift_mm` moves the line into the unit for a blade that runs so far beside the ruler, which lies on the unit.
    """
    fit = best_fit(unit, shape)
    if fit is None or fit.mirrored:
        return None
    outline = np.roll(unit.corners_mat_mm, fit.roll, axis=0)
    for count in range(1, len(outline)):
        laid = [one for one in _ways(outline, fit.corners_mat_mm, count) if _serves(one, outline, shape)]
        if laid:
            least_mm = min(one.misfit_mm for one in laid)
            good = [one for one in laid if one.misfit_mm <= least_mm + AS_GOOD_MM]
            return min((_line(one, outline, hand, shift_mm) for one in good), key=must_turn)
    return None


def _ways(outline: Floats, shape: Floats, count: int) -> Iterator[_Laid]:
    """The shape laid by all sides but `count` of them, in every choice."""
    for cut in combinations(range(len(outline)), count):
        left = [side for side in range(len(outline)) if side not in cut]
        laid = _by_sides(outline, shape, left)
        yield _Laid(laid, cut, _ends_outside(outline, laid))


def _by_sides(outline: Floats, shape: Floats, sides: list[int]) -> Floats:
    """The shape moved so that these sides lie on the outline's: midpoints of their halves, least squares."""
    middles, quarters = outline + sides_of(outline) / 2.0, sides_of(outline) / 4.0
    points = np.concatenate([(middles - quarters)[sides], (middles + quarters)[sides]])
    centre = shape.mean(axis=0)
    size = float(np.abs(shape - centre).max())
    for _ in range(2):  # small turns: the second step is below a micrometre
        across = np.tile(outward_normals(shape)[sides], (2, 1))
        off = np.sum((points - np.tile(shape[sides], (2, 1))) * across, axis=1)
        motion = np.linalg.lstsq(motion_rows(points, across, centre, size), off, rcond=1e-9)[0]
        shape = (shape - centre) @ turn_matrix(float(motion[2]) / size).T + centre + motion[:2]
    return np.asarray(shape)


def _ends_outside(outline: Floats, shape: Floats) -> Floats:
    """(N, 2): how far both ends of each side of the outline lie outside the shape's side."""
    across = outward_normals(shape)
    ends = np.stack([outline, np.roll(outline, -1, axis=0)], axis=1)
    return np.asarray(np.sum((ends - shape[:, None]) * across[:, None], axis=2))


def _serves(laid: _Laid, outline: Floats, shape: ExpectedShape) -> bool:
    """Nothing is missing of the sides that are cut, and those that are left fit, in angle and in width too."""
    left, outside_mm = laid.left, laid.outside_mm
    slack_mm = min(shape.side_tolerance_mm(side) for side in left)
    across = outward_normals(laid.corners_mat_mm)
    wide_mm = [
        side_distances(outline, one, other)[0] - side_distances(laid.corners_mat_mm, one, other)[0]
        for one, other in combinations(left, 2)
        if across[one] @ across[other] < -PARALLEL
    ]
    turned_rad = np.abs(outside_mm[:, 1] - outside_mm[:, 0]) / side_lengths(outline)
    return (
        max([laid.misfit_mm, *map(abs, wide_mm)]) <= slack_mm
        and float(turned_rad[left].max()) <= shape.tolerance.angle_rad
        and all(outside_mm[side].max() > 0.0 for side in laid.cut)
    )


def _line(laid: _Laid, outline: Floats, hand: Hand, shift_mm: float) -> CutLine:
    """Along the worst side, away from the person for this hand: the outline runs with the unit on its left."""
    side = max(laid.cut, key=lambda one: float(laid.outside_mm[one].max()))
    n = len(outline)
    start, end = laid.corners_mat_mm[side], laid.corners_mat_mm[(side + 1) % n]
    along = (end - start) / np.hypot(*(end - start))
    through = start - shift_mm * outward_normals(laid.corners_mat_mm)[side]
    beside = ((side - 1) % n, (side + 1) % n)
    cloth = np.array([crossing(through, along, outline[[one, (one + 1) % n]]) for one in beside])
    if hand == "left":
        cloth, along = cloth[::-1], -along
    kept: Side = "left" if hand == "right" else "right"
    return CutLine("trim", cloth, cloth + REACH_MM * np.array([-along, along]), kept, 0, "", kept)
