"""How a sewn unit is trimmed by its seams: where each side must lie, how far the cloth reaches past it, what to mark.

Each side has one seam that it is trimmed from; the line is laid from that seam as it was found, so that errors of raw
edges do not add up. Along a lone seam a unit may lie where it likes: there it is pushed as far as its cloth allows, so
that the fewest sides are cut and as little as can be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon

from projector.guide.sewn.place import FoundSeam, LaidUnit, chord
from projector.piecing.plans import Trim
from vision.comparing.figures import GUARD

Floats = NDArray[np.float64]

REACH_MM = 25.0  # a trim line is drawn this far past the cloth at both ends
LOOKS = 15  # places along a side at which the cloth is looked at
AT_CORNER_MM = 4.0  # so near to a corner the neighbouring side's cloth is seen
DEEP_MM = 20.0  # cloth farther off than this belongs to another side
ON_SEAM_MM = 0.2  # a planned place so near to a planned seam lies on it


@dataclass(frozen=True, eq=False, slots=True)
class SideToTrim:
    """One side: its line from the seam, and how far the cloth reaches past it; positive: to be cut off."""

    side: int
    line_mat_mm: Floats  # (2, 2) from its planned first to its second corner; the unit lies to the left
    least_mm: float  # over the looks
    mean_mm: float
    greatest_mm: float
    u_mm: float  # of the mean

    def is_over(self, limit_mm: float) -> bool:
        """Surely something to cut off somewhere along it."""
        return self.greatest_mm > limit_mm + GUARD * self.u_mm

    def is_short(self, limit_mm: float) -> bool:
        """Surely too little cloth along it."""
        return self.mean_mm < -limit_mm - GUARD * self.u_mm

    def is_surely_inside(self, limit_mm: float) -> bool:
        far = max(abs(self.mean_mm), self.greatest_mm)
        return far <= limit_mm - GUARD * self.u_mm


@dataclass(frozen=True, eq=False, slots=True)
class TrimLine:
    """A trim in the light; the unit lies to the `keep` side of it, seen along it away from the person."""

    side: int
    cloth_mat_mm: Floats  # (2, 2) where it crosses the cloth
    shown_mat_mm: Floats  # (2, 2) reaching past it
    keep: Literal["left", "right"]
    depth_mm: float  # the most that comes off


def settled(laid: LaidUnit, trims: Sequence[Trim], limit_mm: float) -> LaidUnit:
    """Along a lone seam: to that end of the cloth's slack at which fewer sides, and then less of them, are cut."""
    free = laid.free_along
    if free is None or not trims:
        return laid
    sides = sides_to_trim(laid, trims)
    slack: list[tuple[float, float]] = []  # how fast a side's line moves outward along the seam, and its least cloth
    for side in sides:
        run = side.line_mat_mm[1] - side.line_mat_mm[0]
        outward = np.array([run[1], -run[0]]) / np.hypot(*run)
        if abs(float(outward @ free)) > 0.05:
            slack.append((float(outward @ free), side.least_mm))
    ahead = [least / rate for rate, least in slack if rate > 0.0]
    back = [least / rate for rate, least in slack if rate < 0.0]
    if not ahead or not back:
        return laid
    low, high = max(back), min(ahead)
    if low >= high:
        return laid.shifted(free * (low + high) / 2.0)
    tries = [laid.shifted(free * way) for way in (low, high)]
    return min(tries, key=lambda one: _work(sides_to_trim(one, trims), limit_mm))


def _work(sides: Sequence[SideToTrim], limit_mm: float) -> tuple[int, float]:
    return sum(side.is_over(limit_mm) for side in sides), sum(max(side.mean_mm, 0.0) for side in sides)


def sides_to_trim(laid: LaidUnit, trims: Sequence[Trim]) -> tuple[SideToTrim, ...]:
    """Every side that has a seam to be trimmed from and of which cloth is seen, in the plan's order."""
    found = (_side(laid, trim) for trim in trims)
    return tuple(side for side in found if side is not None)


def trim_line(laid: LaidUnit, side: SideToTrim) -> TrimLine | None:
    """The side's line over the cloth as it lies; None where it does not meet the cloth."""
    cloth = chord(laid.unit.corners_mat_mm, side.line_mat_mm)
    if cloth is None:
        return None
    run = side.line_mat_mm[1] - side.line_mat_mm[0]
    along = run / np.hypot(*run)
    away = along[1] > 0.0 or (along[1] == 0.0 and along[0] > 0.0)
    if not away:
        cloth, along = cloth[::-1], -along
    shown = cloth + REACH_MM * np.array([-along, along])
    return TrimLine(side.side, cloth, shown, "left" if away else "right", side.greatest_mm)


def dots(laid: LaidUnit, dots_mm: Sequence[tuple[float, float]]) -> Floats:
    """(K, 2): where the unit's seams must meet those of its mate, on its seams as found, as deep as planned.

    A dot lies on the stitch line that comes next, as far inside the cloth's edge as planned. Where the unit may lie in
    several ways, the dots of all of them: each is a place where a mate's seam would meet one of these.
    """
    ways = (laid, *laid.twins)
    return np.array([_dot(way, np.array(dot)) for way in ways for dot in dots_mm]).reshape(-1, 2)


def press_arrow(laid: LaidUnit, toward: Literal["first", "second"], length_mm: float) -> Floats | None:
    """(2, 2), tail and tip: across the newest seam, toward its first piece (on its left) or its second.

    The newest seam is the last of the plan's. None where it is not known which way round the unit lies.
    """
    if laid.twins or not len(laid.shape.seams_mm):
        return None
    last = len(laid.shape.seams_mm) - 1
    ends = laid.mat_from_own(laid.shape.seams_mm[last])
    run = ends[1] - ends[0]
    left = np.array([-run[1], run[0]]) / np.hypot(*run)
    way = left if toward == "first" else -left
    middle = ends.mean(axis=0)
    if last in laid.seams:
        seam = laid.seams[last]
        middle = seam.middle + seam.along * float((middle - seam.middle) @ seam.along)
    return np.array([middle - way * length_mm / 2.0, middle + way * length_mm / 2.0])


def _side(laid: LaidUnit, trim: Trim) -> SideToTrim | None:
    line, u_mm = _line(laid, trim)
    if line is None:
        return None
    reaches = _reaches(laid.unit.corners_mat_mm, line)
    if not len(reaches):
        return None
    edge_u_mm = float(np.median(laid.unit.offsets_u_mm))
    figures = float(reaches.min()), float(reaches.mean()), float(reaches.max())
    return SideToTrim(trim.side, line, *figures, math.hypot(u_mm, edge_u_mm))


def _line(laid: LaidUnit, trim: Trim) -> tuple[Floats | None, float]:
    """The side (2, 2) as its seam wants it, and the standard uncertainty across it.

    The planned side is turned about the seam's place by as much as the found seam is turned, and laid at the trim's
    own distance and angle.
    """
    corners = laid.shape.corners_mm
    planned = laid.mat_from_own(corners[[trim.side, (trim.side + 1) % len(corners)]])
    place = laid.mat_from_own(np.array(trim.from_mm))
    seam = laid.seams.get(trim.seam)
    if seam is None:
        if laid.free_along is not None:
            return None, math.inf
        return planned, max(one.u_mm for one in laid.seams.values())
    wanted = laid.mat_from_own(laid.shape.seams_mm[trim.seam])
    place, u_mm = _place_on(laid, seam, trim.seam, place)
    turn = _turn(wanted[1] - wanted[0], seam.along) + _turn_to(planned, wanted, trim.angle_rad)
    run = planned[1] - planned[0]
    c, s = math.cos(turn), math.sin(turn)
    along = np.array([c * run[0] - s * run[1], s * run[0] + c * run[1]]) / np.hypot(*run)
    outward = np.array([along[1], -along[0]])
    middle = place + outward * trim.distance_mm
    feet = [middle + along * float((corner - middle) @ along) for corner in planned]
    return np.array(feet), u_mm


def _place_on(laid: LaidUnit, seam: FoundSeam, number: int, place: Floats) -> tuple[Floats, float]:
    """A planned place on its seam as found: where another found seam crosses there, else straight across onto it."""
    for other, crossing in laid.seams.items():
        sine = _cross(seam.along, crossing.along)
        if other == number or abs(sine) < 0.2:
            continue
        line = laid.mat_from_own(laid.shape.seams_mm[other])
        along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
        if abs(_cross(along, place - line[0])) <= ON_SEAM_MM:
            met = seam.middle + seam.along * _cross(crossing.middle - seam.middle, crossing.along) / sine
            return met, math.hypot(seam.u_mm, crossing.u_mm) / abs(sine)
    return seam.middle + seam.along * float((place - seam.middle) @ seam.along), seam.u_mm


def _turn_to(planned: Floats, seam: Floats, angle_rad: float) -> float:
    """By how much the planned side must turn to make the trim's own angle with its seam; nothing where it does."""
    turn = _turn(seam[1] - seam[0], planned[1] - planned[0])
    line = (turn + math.pi / 2.0) % math.pi - math.pi / 2.0  # of lines, in [-90, 90) degrees
    wanted = math.copysign(angle_rad, line)
    return (wanted - line + math.pi / 2.0) % math.pi - math.pi / 2.0


def _reaches(outline_mat_mm: Floats, line: Floats) -> Floats:
    """(K,) how far the cloth reaches beyond a side's line, at places along the side that are clear of its corners."""
    run = line[1] - line[0]
    length = float(np.hypot(*run))
    along, outward = run / length, np.array([run[1], -run[0]]) / length
    margin = min(AT_CORNER_MM, 0.25 * length)
    cloth, found = Polygon(outline_mat_mm).buffer(0.0), []
    for at in np.linspace(margin, length - margin, LOOKS):
        foot = line[0] + at * along
        met = LineString([foot - DEEP_MM * outward, foot + DEEP_MM * outward]).intersection(cloth)
        points = [point for part in getattr(met, "geoms", [met]) for point in part.coords]
        if points:
            found.append(max(float((np.array(point) - foot) @ outward) for point in points))
    return np.array(found)


def _dot(laid: LaidUnit, own: Floats) -> Floats:
    """A planned dot on the cloth: on the seam it lies on, and as far from the nearest side of the cloth as planned."""
    place = laid.mat_from_own(own)
    seam = next((found for k, found in laid.seams.items() if _on_line(laid.shape.seams_mm[k], own)), None)
    if seam is None:
        return place
    place = seam.middle + seam.along * float((place - seam.middle) @ seam.along)
    corners = laid.shape.corners_mm
    sides = [np.array(pair) for pair in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    nearest = min(sides, key=lambda side: _depth(side, own))
    deep, line = _depth(nearest, own), laid.mat_from_own(nearest)
    reaches = _reaches(laid.unit.corners_mat_mm, line)
    run = line[1] - line[0]
    outward = np.array([run[1], -run[0]]) / np.hypot(*run)
    rate = float(outward @ seam.along)
    if abs(rate) < 0.3 or not len(reaches):
        return place
    edge = float(np.median(reaches))
    now = -float((place - line[0]) @ outward) + edge  # how deep inside the cloth's edge
    return np.asarray(place + seam.along * (now - deep) / rate)


def _on_line(line: Floats, point: Floats) -> bool:
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return abs(_cross(along, point - line[0])) <= ON_SEAM_MM


def _depth(side: Floats, point: Floats) -> float:
    """How far inside of a side (2, 2) a point lies, if it lies beside it; else far."""
    run = side[1] - side[0]
    along = run / np.hypot(*run)
    return _cross(along, point - side[0]) if 0.0 <= float((point - side[0]) @ along) <= np.hypot(*run) else math.inf


def _turn(start: Floats, end: Floats) -> float:
    """The angle from one direction to another, counter-clockwise."""
    return math.atan2(_cross(start, end), float(start @ end))


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
