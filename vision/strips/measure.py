"""Measure strips and strip sets: long sides, seams, width, and what angle the ends have to them.

A strip may be longer than the picture or hang off the mat: where its long sides run on beyond what is seen it has no
end. It is told from a unit by `strips.outline.is_strip`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.comparing.expected import ExpectedShape, ExpectedStrip
from vision.edge.common import Common
from vision.edge.picture import Picture
from vision.edge.pixels.neighbours import neighbours_of
from vision.edge.sidefits import SideFit
from vision.finding.mat import Scene
from vision.measure import MOST_BLUR_PX, MOST_U_MM, PLAIN_CLOTH, Cloth, Pieces, Trust
from vision.pieced import PiecedLine
from vision.polygons import line_meeting
from vision.strips.ends import Cut, fit_cut, off_mm
from vision.strips.fits import Fitting, floor_mm, followed, long_sides, pieced, seam_lines
from vision.strips.outline import RoughStrip, is_strip, near_rim, rough_strip

Floats = NDArray[np.float64]

SURE_RIG = Trust()
NEAR_AN_END_WIDTHS = 2.0  # of a curved strip, what lies so near to an end says what direction it has there


@dataclass(frozen=True, eq=False, slots=True)
class StripLine:
    """A long side, a seam or an end: the best straight line over the part seen, and how it bows."""

    ends_mat_mm: Floats  # (2, 2)
    u_mm: float  # across it, in its middle
    bow_mm: float  # sag of the middle against the ends: of a side outward, of a seam to its right
    bow_u_mm: float  # inf where too little is seen of it


@dataclass(frozen=True, eq=False, slots=True)
class StripEnd:
    """One raw end.

    `angle_rad` lies between the end's line and the mean direction of the two long sides, in [0, pi/2]; of a strip
    that is surely bowed, their direction over the last two widths before the end. A stepped end, of strips that were
    sewn together staggered, has every strip's own end in `steps_mat_mm`, and its line runs through their middles.
    """

    line_mat_mm: Floats  # (2, 2), cloth on its left
    angle_rad: float
    u_rad: float
    steps_mat_mm: Floats  # (K, 2, 2); none where the end is one cut


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredStrip:
    """A strip or strip set; its first side is the right one as one looks along it, seams go from there to the second.

    All lines run the same way. `width_mm` is the mean distance of the long sides where both were seen, bows and all.
    """

    long_sides: tuple[StripLine, StripLine]
    seams: tuple[StripLine, ...]
    width_mm: float
    width_u_mm: float
    ends: tuple[StripEnd, ...]
    trouble: str | None = None  # why the picture is at fault, as of a unit


def measure_strips(
    scene: Scene,
    camera: Pinhole,
    on_mat: NDArray[np.bool_],
    pieces: Pieces,
    cloth: Cloth = PLAIN_CLOTH,
    trust: Trust = SURE_RIG,
    strips: Sequence[ExpectedStrip] = (),
    units: Sequence[ExpectedShape] = (),
) -> Mapping[int, MeasuredStrip]:
    """Which of `pieces` are strips, by their number, and what was measured on them.

    `on_mat` (H, W) is where cloth is looked for; `strips` and `units` are what is expected there.
    """
    at_rim, found = near_rim(on_mat), dict[int, MeasuredStrip]()
    neighbours = neighbours_of(pieces.regions, on_mat.shape)
    picture = Picture.of(pieces.scene, camera, cloth.height_mm, neighbours)
    for i, region in enumerate(pieces.regions):
        rough = rough_strip(region, camera, cloth.height_mm, at_rim)
        if rough is None or not is_strip(rough, strips, units):
            continue
        strip = _strip(Fitting(picture, i + 1), rough, cloth, trust)
        if strip is not None:
            found[i] = strip
    return found


def _strip(fitting: Fitting, rough: RoughStrip, cloth: Cloth, trust: Trust) -> MeasuredStrip | None:
    """The whole strip, or None where a long side cannot be fitted."""
    seen_sides = long_sides(fitting, rough.sides_mat_mm, rough.bends_mm)
    if seen_sides is None:
        return None
    fits, common = seen_sides
    sides = (pieced(fits[0], common), pieced(fits[1], common))
    reach = _common_reach(rough)
    seams = seam_lines(fitting, sides, reach, float(common.values[0]))
    doubt = _Doubt(fitting.picture.camera, cloth, trust)
    ends = [fit_cut(fitting, end, sides, seams, common) for end in rough.ends]
    cuts = [cut for cut in ends if cut is not None]
    width_mm, width_u_mm = _width(sides, reach, fits, common, doubt)
    lines = [
        _strip_line(line, _spanned(line, seen, cuts)[::way], doubt.side_u_mm(line, own))
        for way, line, seen, own in zip((1, -1), sides, rough.sides_mat_mm, fits, strict=True)
    ]
    us_mm = [line.u_mm for line in lines]
    return MeasuredStrip(
        (lines[0], lines[1]),
        tuple(_seam(line, reach, cuts, doubt) for line in seams),
        width_mm,
        width_u_mm,
        tuple(_end(cut, sides, width_mm, doubt) for cut in cuts),
        _trouble([*fits[0], *fits[1]], us_mm),
    )


def _trouble(fits: Sequence[SideFit], us_mm: Sequence[float]) -> str | None:
    soft = [fit.soft_px for fit in fits if math.isfinite(fit.soft_px)]
    if soft and float(np.median(soft)) > MOST_BLUR_PX:
        return "blurred"
    return "unsure" if max(us_mm) > MOST_U_MM else None


@dataclass(frozen=True, eq=False, slots=True)
class _Doubt:
    """What moves lines besides the picture's noise and light: the rig, the cloth's height, the model."""

    camera: Pinhole
    cloth: Cloth
    trust: Trust

    def side_u_mm(self, line: PiecedLine, fits: Sequence[SideFit]) -> float:
        """Of an edge's place in its middle."""
        away = line.middle_mat_mm - self.camera.lens_mat_mm[:2]
        lean_mm = float(np.hypot(*away)) / float(self.camera.lens_mat_mm[2]) * self.cloth.u_mm
        return math.hypot(line.u_at_mm(line.middle_mat_mm), floor_mm(fits), self.trust.rig_u_mm, lean_mm)

    def turn_u_rad(self, line: PiecedLine, model_u_mm: float) -> float:
        """Of a line's direction: what the rig and the model do to one half of it and not to the other."""
        apart = math.hypot(self.trust.rig_u_mm, model_u_mm) / (line.length_mm / 2.0)
        return math.hypot(math.sqrt(line.covariance[1, 1]), apart)


def _common_reach(rough: RoughStrip) -> Floats:
    """(2, 2): from where to where, on the middle line, both long sides are seen."""
    right, left = rough.sides_mat_mm[0], rough.sides_mat_mm[1][::-1]
    along = right[1] - right[0] + left[1] - left[0]
    along /= np.hypot(*along)
    middle = np.concatenate([right, left]).mean(axis=0)
    places = (np.stack([right, left]) - middle) @ along
    return np.asarray(middle + np.outer([places[:, 0].max(), places[:, 1].min()], along))


def _direction(sides: tuple[PiecedLine, PiecedLine], place_mat_mm: Floats | None, width_mm: float) -> Floats:
    """(2,): the mean direction of both sides in the first's sense; near a place where they surely bow."""
    ways = []
    for sign, side in zip((1.0, -1.0), sides, strict=True):
        turn = 0.0
        if place_mat_mm is not None and side.is_bowed:
            half, back_mm = side.length_mm / 2.0, NEAR_AN_END_WIDTHS / 2.0 * width_mm
            s = float((place_mat_mm - side.middle_mat_mm) @ side.along)
            s = math.copysign(max(abs(s) - back_mm, 0.0), s)
            turn = -2.0 * side.bow_mm * s / half**2  # the bowed line's slope there, outward
        outward = np.array([side.along[1], -side.along[0]])
        way = side.along + turn * outward
        ways.append(sign * way / np.hypot(*way))
    mean = ways[0] + ways[1]
    return np.asarray(mean / np.hypot(*mean))


def _width(
    sides: tuple[PiecedLine, PiecedLine],
    reach: Floats,
    fits: Sequence[Sequence[SideFit]],
    common: Common,
    doubt: _Doubt,
) -> tuple[float, float]:
    """Mean distance of the sides over the reach, and its standard uncertainty."""
    along = _direction(sides, None, 0.0)
    across = np.array([-along[1], along[0]])
    feet = reach[0] + np.linspace(0.0, 1.0, 21)[:, None] * (reach[1] - reach[0])
    distances = sum(_distance_mm(side, feet, across) for side in sides)
    middle = reach.mean(axis=0)
    parts = [side.u_at_mm(middle) for side in sides] + [floor_mm(own) for own in fits]
    # Each side's doubt holds what is common to both; in the width that adds up, or cancels.
    follow = [followed(own) for own in fits]
    mixed = 2.0 * float(follow[0] @ common.covariance @ follow[1])
    width_mm = float(np.mean(distances))
    height_u_mm = width_mm * doubt.cloth.u_mm / float(doubt.camera.lens_mat_mm[2])
    rig_u_mm = math.sqrt(2.0) * doubt.trust.rig_u_mm
    own_u_mm = math.sqrt(max(sum(part**2 for part in parts) + mixed, 0.0))
    return width_mm, math.hypot(own_u_mm, rig_u_mm, height_u_mm, width_mm * doubt.trust.scale_u)


def _distance_mm(side: PiecedLine, feet: Floats, across: Floats) -> Floats:
    """(N,): how far a side lies from points inside the strip, along `across` (either way)."""
    outward = np.array([side.along[1], -side.along[0]])
    away = feet - side.middle_mat_mm
    straight = -(away @ outward) + side.bent_mm(away @ side.along)
    return np.asarray(straight / abs(float(across @ outward)))


def _end(cut: Cut, sides: tuple[PiecedLine, PiecedLine], width_mm: float, doubt: _Doubt) -> StripEnd:
    line = cut.line
    way = _direction(sides, line.middle_mat_mm, width_mm)
    angle = math.atan2(abs(float(way[0] * line.along[1] - way[1] * line.along[0])), abs(float(way @ line.along)))
    model_u_mm = 0.0 if len(cut.steps_mat_mm) else floor_mm(cut.fits)
    us = [doubt.turn_u_rad(side, 0.0) / 2.0 for side in sides]
    us += [2.0 * side.bow_u_mm / side.length_mm for side in sides if side.is_bowed]
    meetings = [line_meeting(*line.points_mat_mm, *side.points_mat_mm) for side in sides]
    ends = np.array([line.middle_mat_mm if meeting is None else meeting for meeting in meetings])
    return StripEnd(
        ends[:: 1 if float((ends[1] - ends[0]) @ line.along) > 0 else -1],
        angle,
        math.hypot(doubt.turn_u_rad(line, model_u_mm), *us),
        cut.steps_mat_mm,
    )


def _spanned(line: PiecedLine, rough_mat_mm: Floats, cuts: Sequence[Cut]) -> Floats:
    """(2, 2): a long side from end to end: to the corners where an end is one cut, else as far as it was seen."""
    ends = line.middle_mat_mm + np.outer((rough_mat_mm - line.middle_mat_mm) @ line.along, line.along)
    for cut in cuts:
        if not len(cut.steps_mat_mm):
            meeting = line_meeting(*line.points_mat_mm, *cut.line.points_mat_mm)
            k = int(np.argmin(np.hypot(*(ends - (meeting if meeting is not None else cut.line.middle_mat_mm)).T)))
            ends[k] = ends[k] if meeting is None else meeting
    return np.asarray(ends)


def _seam(line: PiecedLine, reach: Floats, cuts: Sequence[Cut], doubt: _Doubt) -> StripLine:
    """A seam as far as both of its fabrics go."""
    along = line.along
    low, high = sorted((reach - line.middle_mat_mm) @ along)
    for cut in cuts:
        ahead = float((cut.line.middle_mat_mm - line.middle_mat_mm) @ along) > 0
        parts = sorted(cut.steps_mat_mm, key=lambda part: off_mm(line, part.mean(axis=0)))[:2]
        meetings = [line_meeting(*line.points_mat_mm, *part) for part in parts or [cut.line.points_mat_mm]]
        places = [float((meeting - line.middle_mat_mm) @ along) for meeting in meetings if meeting is not None]
        if places and ahead:
            high = min(places)
        elif places:
            low = max(places)
    away = line.middle_mat_mm - doubt.camera.lens_mat_mm[:2]
    lean_mm = float(np.hypot(*away)) / float(doubt.camera.lens_mat_mm[2]) * doubt.cloth.u_mm
    u_mm = math.hypot(line.u_at_mm(line.middle_mat_mm), doubt.trust.rig_u_mm, lean_mm)
    return _strip_line(line, line.middle_mat_mm + np.outer([low, high], along), u_mm)


def _strip_line(line: PiecedLine, ends_mat_mm: Floats, u_mm: float) -> StripLine:
    """A line between these ends, which lie somewhat beyond what was fitted; of a bowed one the curve goes on to there.

    Over a stretch of half length H around m the best straight line through s^2 is m^2 + H^2 / 3 + 2 m (s - m).
    """
    s0, s1 = (ends_mat_mm - line.middle_mat_mm) @ line.along
    middle, half, fitted = (s0 + s1) / 2.0, abs(s1 - s0) / 2.0, line.length_mm / 2.0
    if line.is_bowed:
        square = middle**2 + half**2 / 3.0 + 2.0 * middle * (np.array([s0, s1]) - middle)
        outward = np.array([line.along[1], -line.along[0]])
        ends_mat_mm = ends_mat_mm + np.outer(line.bow_mm * (1.0 / 3.0 - square / fitted**2), outward)
    longer = (half / fitted) ** 2
    return StripLine(ends_mat_mm, u_mm, longer * line.bow_mm, longer * line.bow_u_mm)
