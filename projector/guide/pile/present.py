"""Which cloths are still the same after hands were at them: so that no unit of a pile is counted twice.

A nudged unit may come to lie anywhere, and among forty alike nothing on a unit tells it from its neighbour. What tells
is how many lie there whenever no hand is in the picture: as many as before are the same ones, moved at most; where
there are fewer, those farthest from what is left were taken away; what is more was laid down. Cloths that were pushed
together are seen as one piece as large as all of them, and count as so many.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from vision.comparing.compare import TROUBLES
from vision.comparing.expected import ExpectedShape
from vision.polygons import signed_area
from vision.units import Judged, Verdict

Floats = NDArray[np.float64]

ANOTHER_U = 5.0  # standard uncertainties of a difference: two measurements of one unit do not differ so much
MIDDLE_SHARE = 0.1  # of the distance of middles, beside that from the outline: decides among pieces about a middle
TOUCHING = "touching"
NOTCH = 0.05  # of the hull's area: more than cutting and measuring take
UNLIKE_MM = 1e4  # above all distances: pieces are first shared out so that as few as can be are surely others


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """Something that lies on the mat, as well as it is known."""

    outline_mat_mm: Floats  # (N, 2)
    judged: Judged | None = None  # where it was measured

    @property
    def area_mm2(self) -> float:
        return abs(float(signed_area(self.outline_mat_mm)))

    @property
    def hull_share(self) -> float:
        """Its area beside that of its convex hull: 1 without a notch."""
        return float(self.shape.area / self.shape.convex_hull.area)

    @property
    def middle_mat_mm(self) -> Floats:
        """(2,) of its area."""
        middle = self.shape.centroid
        return np.array([middle.x, middle.y])

    @property
    def shape(self) -> BaseGeometry:
        return Polygon(self.outline_mat_mm).buffer(0.0)


@dataclass(frozen=True, eq=False, slots=True)
class Lying:
    """A unit that lies on the mat: where it was last seen, as it was measured, and its number once it was counted."""

    piece: Piece
    middle_mat_mm: Floats  # (2,)
    number: int | None = None

    @staticmethod
    def of(piece: Piece, number: int | None = None) -> Lying:
        return Lying(piece, piece.middle_mat_mm, number)


def units_in(piece: Piece, unit_mm2: float) -> int:
    """How many units a piece is as large as, at least one."""
    return max(1, round(piece.area_mm2 / unit_mm2))


def several_told(judged: Judged, expected: ExpectedShape) -> Judged:
    """Cloth that is no expected shape is several units that touch if it is as large as they are, or notched."""
    if judged.verdict is not Verdict.OTHER:
        return judged
    piece, one = Piece(judged.unit.corners_mat_mm), Piece(expected.corners_mm)
    if units_in(piece, one.area_mm2) == 1 and piece.hull_share >= one.hull_share - NOTCH:
        return judged
    again = replace(judged.unit, trouble=TOUCHING)
    return replace(judged, unit=again, verdict=Verdict.LOOK_AGAIN, why=TROUBLES[TOUCHING])


def matched(lying: Sequence[Lying], pieces: Sequence[Piece], unit_mm2: float) -> list[int | None]:
    """For each unit that lay there, the number of the piece that it is now in, or None if it was taken away.

    The least sum of distances; a piece as large as several units may hold as many. Source of the method: H. W. Kuhn,
    The Hungarian method, Naval Research Logistics Quarterly 2, 1955.
    """
    places = [i for i, piece in enumerate(pieces) for _ in range(units_in(piece, unit_mm2))]
    found: list[int | None] = [None] * len(lying)
    if not places or not lying:
        return found
    rows, columns = linear_sum_assignment(_costs_mm(lying, pieces)[:, places])
    for row, column in zip(rows, columns, strict=True):
        found[row] = places[column]
    return found


def glimpsed(lying: tuple[Lying, ...], pieces: Sequence[Piece], unit_mm2: float) -> tuple[Lying, ...]:
    """What of it is still there after a rough look without a hand in it, each where it was last seen alone."""
    kept = []
    for unit, i in zip(lying, matched(lying, pieces, unit_mm2), strict=True):
        if i is not None:
            alone = units_in(pieces[i], unit_mm2) == 1
            kept.append(replace(unit, middle_mat_mm=pieces[i].middle_mat_mm) if alone else unit)
    return tuple(kept)


def is_another(before: Judged, now: Judged) -> bool:
    """Whether two measurements are surely not of one unit: one was taken away and another laid, unseen."""
    if {before.verdict, now.verdict} & {None, Verdict.LOOK_AGAIN}:
        return False
    if len(before.unit.corners_mat_mm) != len(now.unit.corners_mat_mm):
        return True
    known = {width.sides: width for width in before.unit.widths}
    both = [(known[width.sides], width) for width in now.unit.widths if width.sides in known]
    return any(abs(a.mean_mm - b.mean_mm) > ANOTHER_U * np.hypot(a.u_mm, b.u_mm) for a, b in both)


def _costs_mm(lying: Sequence[Lying], pieces: Sequence[Piece]) -> Floats:
    """(L, P): how far each unit is from each piece, and as good as infinitely far where that is surely another."""
    shapes = [piece.shape for piece in pieces]
    centres = [shape.centroid for shape in shapes]
    before = np.array([unit.middle_mat_mm for unit in lying])[:, None]
    away = shapely.distance(np.array(shapes)[None], shapely.points(before))
    middles = np.hypot(*np.moveaxis(before - np.array([[one.x, one.y] for one in centres]), 2, 0))
    known, seen = [unit.piece.judged for unit in lying], [piece.judged for piece in pieces]
    unlike = np.array([[bool(a and b and is_another(a, b)) for b in seen] for a in known])
    return np.asarray(away + MIDDLE_SHARE * middles + UNLIKE_MM * unlike)
