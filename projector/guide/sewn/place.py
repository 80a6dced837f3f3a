"""Which way a sewn unit lies: its plan laid on the cloth by the seams that were found in it.

A sewn unit is larger than planned until it is trimmed, and its raw edges are not to be trusted: its seams decide.
Along a lone seam nothing but the outline is left to go by.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.affinity import affine_transform

from vision.comparing.expected import ExpectedShape
from vision.units import MeasuredUnit, Seam

Floats = NDArray[np.float64]

LARGER = 1.6  # a unit that waits for its trims is at most so many times as large as planned
SAME_LINE_MM, SAME_LINE_RAD = 5.0, math.radians(6.0)  # a seam that was found is the planned one up to here
LEAST_SHARE = 0.75  # of both outlines together must be in common
MIRROR_BETTER = 0.02  # by which a mirror image must fit better before a unit is called turned over
SEAM_OFF_MM = 20.0  # a seam so far from any planned one counts as much as half of the outline
AS_GOOD = 0.01  # by less, two ways to lie are as good as each other
OUTLINE_SAY = 0.05  # of a seam's, where a seam has no say: along itself


@dataclass(frozen=True, eq=False, slots=True)
class FoundSeam:
    """A seam that was found, as a planned one runs: the line through two points, and its uncertainty across."""

    ends_mat_mm: Floats  # (2, 2)
    u_mm: float

    @property
    def along(self) -> Floats:
        run = self.ends_mat_mm[1] - self.ends_mat_mm[0]
        return np.asarray(run / np.hypot(*run))

    @property
    def middle(self) -> Floats:
        return np.asarray(self.ends_mat_mm.mean(axis=0))


@dataclass(frozen=True, eq=False, slots=True)
class LaidUnit:
    """A planned unit laid on a measured one: mat = own @ turn.T + shift; `seams` by their number in the plan.

    `twins` are other ways in which it may lie, outline and seams being the same, or nearly: the fabrics are not asked.
    """

    unit: MeasuredUnit
    shape: ExpectedShape
    turn: Floats  # (2, 2)
    shift: Floats  # (2,)
    seams: Mapping[int, FoundSeam]
    mirrored: bool = False
    twins: tuple[LaidUnit, ...] = ()

    def mat_from_own(self, points_mm: Floats) -> Floats:
        """Points (..., 2) of the plan's frame."""
        return np.asarray(points_mm @ self.turn.T + self.shift)

    @property
    def corners_mat_mm(self) -> Floats:
        return self.mat_from_own(self.shape.corners_mm)

    @property
    def free_along(self) -> Floats | None:
        """(2,): the direction in which no seam tells where the unit lies; None where seams that cross tell all."""
        ways = [seam.along for seam in self.seams.values()]
        if not ways:
            return None
        crossing = max(abs(float(ways[0][0] * way[1] - ways[0][1] * way[0])) for way in ways)
        return None if crossing > math.sin(SAME_LINE_RAD) else ways[0]

    def as_before(self, known: LaidUnit) -> LaidUnit:
        """Of all the ways in which it may lie, the one that is turned least against where it was known to lie."""
        ways = (self, *self.twins)
        best = max(ways, key=lambda way: float(np.sum(way.turn * known.turn)))
        return replace(best, twins=tuple(way for way in ways if way is not best))

    def shifted(self, by_mm: Floats) -> LaidUnit:
        return replace(self, shift=self.shift + by_mm)


def lay_unit(unit: MeasuredUnit, shape: ExpectedShape) -> LaidUnit | None:
    """A planned unit laid on cloth; None where the cloth is not it, or none of its seams is seen."""
    if unit.curved is not None or len(unit.corners_mat_mm) < 3 or not unit.seams:
        return None
    upright = _best(unit, shape, mirrored=False)
    turned = _best(unit, shape.mirrored(), mirrored=True)
    tries = [one for one in (upright, turned) if one is not None]
    if not tries:
        return None
    score, laid = max(tries, key=lambda one: one[0] - (MIRROR_BETTER if one[1].mirrored else 0.0))
    return laid if score >= LEAST_SHARE and laid.seams else None


def _best(unit: MeasuredUnit, shape: ExpectedShape, mirrored: bool) -> tuple[float, LaidUnit] | None:
    """The likeliest of all turns that bring a planned seam onto the longest one found."""
    if not len(shape.seams_mm):
        return None
    outline, planned = Polygon(unit.corners_mat_mm).buffer(0.0), Polygon(shape.corners_mm)
    if outline.is_empty or not 1.0 / LARGER <= outline.area / planned.area <= LARGER:
        return None
    longest = max(unit.seams, key=lambda seam: math.dist(*seam.ends_mat_mm))
    tries = [
        _laid(unit, shape, angle, np.array(outline.centroid.coords[0]), mirrored)
        for angle in _turns(longest.ends_mat_mm, shape.seams_mm)
    ]
    scored = [(_score(outline, planned, laid), laid) for laid in tries]
    best, laid = max(scored, key=lambda one: one[0])
    twins = tuple(other for score, other in scored if other is not laid and score > best - AS_GOOD)
    return best, replace(laid, twins=twins)


def _turns(found: Floats, seams_mm: Floats) -> Iterable[float]:
    """Every angle that lays a planned seam along a found one, either way round, each once."""
    angles: list[float] = []
    for seam in seams_mm:
        for way in (0.0, math.pi):
            angle = _angle(found[1] - found[0]) - _angle(seam[1] - seam[0]) + way
            if all(abs(_wrapped(angle - other)) > SAME_LINE_RAD / 2.0 for other in angles):
                angles.append(angle)
    return angles


def _laid(unit: MeasuredUnit, shape: ExpectedShape, angle: float, centre: Floats, mirrored: bool) -> LaidUnit:
    """Middle on middle, then onto the seams."""
    middle = np.array(Polygon(shape.corners_mm).centroid.coords[0])
    turn = _rotation(angle)
    laid = LaidUnit(unit, shape, turn, centre - middle @ turn.T, {}, mirrored)
    for _ in range(3):
        laid = _onto_seams(laid, middle, centre)
    return laid


def _onto_seams(laid: LaidUnit, middle: Floats, centre: Floats) -> LaidUnit:
    """Turned as the seams are, then shifted across them; where they have no say, middle on middle."""
    seams = matched(laid.unit.seams, laid.mat_from_own(laid.shape.seams_mm))
    if not seams:
        return laid
    planned = laid.mat_from_own(laid.shape.seams_mm)
    weights = np.array([math.dist(*planned[k]) for k in seams])
    turns = np.array([_wrapped(_angle(s.along) - _angle(planned[k][1] - planned[k][0])) for k, s in seams.items()])
    turn = _rotation(float(weights @ turns / weights.sum())) @ laid.turn
    rows, values = [OUTLINE_SAY * np.eye(2)], [OUTLINE_SAY * (centre - middle @ turn.T)]
    for (k, seam), weight in zip(seams.items(), weights, strict=True):
        normal = np.array([-seam.along[1], seam.along[0]]) * math.sqrt(weight / weights.max())
        rows.append(normal[None])
        values.append(np.array([normal @ (seam.middle - laid.shape.seams_mm[k].mean(axis=0) @ turn.T)]))
    shift = np.linalg.lstsq(np.vstack(rows), np.concatenate(values), rcond=None)[0]
    return replace(laid, turn=turn, shift=shift, seams=seams)


def matched(found: Sequence[Seam], planned_mat_mm: Floats) -> dict[int, FoundSeam]:
    """For each planned seam (S, 2, 2) the found one on whose line it lies, if any; parts of one line share it.

    Of several the nearer one is taken, along the line too: of a seam in two parts each has its own.
    """
    result: dict[int, FoundSeam] = {}
    for k, planned in enumerate(planned_mat_mm):
        run, middle = planned[1] - planned[0], planned.mean(axis=0)
        near: list[tuple[float, FoundSeam]] = []
        for seam in found:
            ends = seam.ends_mat_mm if (seam.ends_mat_mm[1] - seam.ends_mat_mm[0]) @ run > 0 else seam.ends_mat_mm[::-1]
            one = FoundSeam(ends, seam.u_mm)
            off = abs(_cross(one.along, middle - one.middle))
            turned = abs(_wrapped(_angle(one.along) - _angle(run)))
            if off <= SAME_LINE_MM and turned <= SAME_LINE_RAD:
                near.append((off + max(_gap(one.ends_mat_mm, planned) - SAME_LINE_MM, 0.0), one))
        if near:
            result[k] = min(near, key=lambda one: one[0])[1]
    return result


def _gap(found: Floats, planned: Floats) -> float:
    """How far apart along the planned line the two lie; 0 where they overlap."""
    along = (planned[1] - planned[0]) / np.hypot(*(planned[1] - planned[0]))
    a, b = (sorted(float((end - planned[0]) @ along) for end in line) for line in (found, planned))
    return max(a[0] - b[1], b[0] - a[1], 0.0)


def _score(outline: Polygon, planned: Polygon, laid: LaidUnit) -> float:
    """Share of both outlines that is in common, less for seams that are found where none is planned.

    What is larger than planned all round loses nothing: the plan lies within it.
    """
    (a, b), (c, d) = laid.turn
    own = affine_transform(planned, [a, b, c, d, *laid.shift])
    common = float(own.intersection(outline).area) / float(own.area)
    lines = laid.mat_from_own(laid.shape.seams_mm)
    off = [min((_off(seam.ends_mat_mm, line) for line in lines), default=SEAM_OFF_MM) for seam in laid.unit.seams]
    missing = sum(k not in laid.seams for k in range(len(lines))) / len(lines)
    beyond = float(outline.difference(own.buffer(0.0)).area) / float(own.area)
    return common - 0.1 * beyond - 0.5 * float(np.mean(off)) / SEAM_OFF_MM - 0.1 * missing


def _off(found: Floats, line: Floats) -> float:
    """How far a found seam's ends lie from a planned line, at most `SEAM_OFF_MM`."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return min(max(abs(_cross(along, end - line[0])) for end in found), SEAM_OFF_MM)


def chord(outline_mat_mm: Floats, line_mat_mm: Floats) -> Floats | None:
    """(2, 2): where a line (2, 2), prolonged, enters and leaves an outline (N, 2), in its direction; None if never."""
    run = line_mat_mm[1] - line_mat_mm[0]
    along = run / np.hypot(*run)
    reach = 4.0 * float(np.max(np.abs(outline_mat_mm - line_mat_mm.mean(axis=0)))) + 1.0
    middle = line_mat_mm.mean(axis=0)
    met = LineString([middle - reach * along, middle + reach * along]).intersection(Polygon(outline_mat_mm).buffer(0.0))
    if met.is_empty or met.length == 0.0:
        return None
    points = np.array([point for part in getattr(met, "geoms", [met]) for point in part.coords])
    order = points @ along
    return np.array([points[np.argmin(order)], points[np.argmax(order)]])


def _rotation(angle: float) -> Floats:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def _angle(vector: Floats) -> float:
    return math.atan2(float(vector[1]), float(vector[0]))


def _wrapped(angle: float) -> float:
    """In [-pi, pi)."""
    return (angle + math.pi) % (2.0 * math.pi) - math.pi


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
