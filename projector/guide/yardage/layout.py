"""Where strips are cut from folded yardage: pure geometry of the cloth as it was measured, in the mat frame.

The cloth lies with its fold toward the person and is worked at the end on the cutting hand's side (common practice, no
source). A strip is folded as its cloth is. Opened, it bends at the fold by twice the angle that its cut was off square
to the fold there: each half is the other's mirror image.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.scene.scenes import Point
from projector.guide.units.layout import CutLine, FoundStrip, inward, line_through
from projector.piecing.lengths import length_text
from projector.piecing.plans import Cut, Hand
from vision.strips.measure import MeasuredStrip
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

CUT_OFF = "cut_off"
FACING_RAD = math.radians(40.0)  # a side that faces the person, or away from them, is turned by less
LEAST_FOLD_MM = 50.0  # of a shorter one the direction is not known well enough
AT_RIM_MM = 10.0  # a side this near to the rim of what is lit and seen is no edge of the cloth
OPENED = 1.5  # a strip so much longer than its cloth is deep has been opened
KINK_SAG = 15.0 / 16.0  # of two straight halves that meet at an angle: the best parabola's sag over the true one


@dataclass(frozen=True, slots=True)
class Angle:
    """An angle and its standard uncertainty, radians."""

    rad: float
    u_rad: float


@dataclass(frozen=True, slots=True)
class NoYardage:
    """Why no cloth on the mat can be cut into strips: a sentence for the person."""

    why: str


def find_yardage(cloths: Sequence[MeasuredUnit], hand: Hand, area_mat_mm: Sequence[Point]) -> FoundStrip | NoYardage:
    """The largest cloth with a fold toward the person and an end at the cutting hand.

    Its `lower_mat_mm` is the fold, `along` the fold's direction, `width_mm` how deep the cloth is from the fold to the
    edges that lie away from the person. It may hang over the mat's end on the other side (`area_mat_mm`, a polygon).
    """
    sound = [one for one in cloths if one.trouble in (None, CUT_OFF) and len(one.corners_mat_mm) >= 4]
    if not sound:
        return NoYardage("no cloth is seen")
    cloth = max(sound, key=lambda one: float(Polygon(one.corners_mat_mm).area))
    fold, away = _longest_facing(cloth, toward=-1.0), _longest_facing(cloth, toward=1.0)
    if fold is None or away is None:
        return NoYardage("lay the cloth with its fold along the mat's near edge")
    found = _yardage_from(cloth, fold, away, hand)
    rim = Polygon(area_mat_mm).exterior
    if math.dist(*found.lower_mat_mm) < LEAST_FOLD_MM:
        return NoYardage("too little of the fold is seen")
    over = [_runs_along(rim, side) for side in (found.lower_mat_mm, found.upper_mat_mm)]
    if over == [True, False]:
        return NoYardage("the fold hangs over the mat's edge, push the cloth away from you")
    if any(over):
        return NoYardage("the cloth is deeper than the mat, fold it once more and say so with --layers")
    if _runs_along(rim, found.end_mat_mm[[0, -1]]):
        other = "left" if hand == "right" else "right"
        return NoYardage(f"the raw end hangs over the mat's edge, pull the cloth to the {other}")
    return found


def off_square(found: FoundStrip) -> Angle:
    """By how much the worked end is turned, counter-clockwise, from square to the fold."""
    run = found.end_mat_mm[-1] - found.end_mat_mm[0]
    x, y = found.along
    return Angle(math.atan2(-float(run @ [x, y]), float(run @ [-y, x])), found.end_u_rad)


def bend_of_sides(*sides: Angle) -> Angle:
    """How far a strip bends at the fold when it is opened, from how far its sides are off square to the fold.

    What is wrong of the fold's direction is wrong of all sides alike, so their uncertainties are not averaged away.

    >>> bend_of_sides(Angle(0.002, 0.0), Angle(0.004, 0.0)).rad
    0.006
    """
    mean = sum(side.rad for side in sides) / len(sides)
    return Angle(2.0 * mean, 2.0 * sum(side.u_rad for side in sides) / len(sides))


def bend_of_strip(strip: MeasuredStrip, depth_mm: float) -> Angle | None:
    """The same from the strip itself, unsigned: folded by its end at the fold, opened by its bow; None if not seen.

    The fold is the end nearer to the person. Of an opened strip the sag h tan(bend / 2) of two straight halves, each h
    long, shows as a parabola's; the best one sags 15/16 of that (|x| on [-1, 1] in Legendre polynomials: its second is
    5/8).
    """
    first, second = strip.long_sides
    length_mm = float(np.mean([math.dist(*side.ends_mat_mm) for side in (first, second)]))
    if length_mm > OPENED * depth_mm:
        known = [side for side in (first, second) if math.isfinite(side.bow_u_mm)]
        if len(known) < 2:
            return None
        half_mm = KINK_SAG * length_mm / 2.0
        sag_mm = (first.bow_mm - second.bow_mm) / 2.0  # both outward: a bend makes one hollow and the other full
        return Angle(2.0 * math.atan(abs(sag_mm) / half_mm), math.hypot(first.bow_u_mm, second.bow_u_mm) / half_mm)
    run = first.ends_mat_mm[1] - first.ends_mat_mm[0]
    if abs(run[1]) < abs(run[0]) or not strip.ends:
        return None  # it lies across: which end is the fold is not known
    middle_y = float(np.mean([side.ends_mat_mm[:, 1] for side in (first, second)]))
    at_fold = [end for end in strip.ends if end.line_mat_mm[:, 1].mean() < middle_y]
    if len(at_fold) != 1 or len(at_fold[0].steps_mat_mm):
        return None
    return Angle(2.0 * (math.pi / 2.0 - at_fold[0].angle_rad), 2.0 * at_fold[0].u_rad)


def truing_reason(found: FoundStrip, raw: bool, most_bend_rad: float, layers: int) -> str | None:
    """Why the end is trued before a strip is cut from it; None where it need not be.

    A raw end always; a later one when the next strip would surely bend by more than `most_bend_rad` where it is folded:
    by its standard uncertainty more, for of a short fold the direction is not known well.
    """
    edge = "fold" if layers > 1 else "near edge"
    bend = bend_of_sides(off_square(found))
    bend_rad = abs(bend.rad)
    if raw:
        why = "or strips bend there" if layers > 1 else "or strips end askew"
        return f"first square the raw end to the {edge}, {why}"
    if bend_rad - bend.u_rad <= most_bend_rad:
        return None
    off = math.degrees(bend_rad)
    if layers > 1:
        return f"the next strip would bend by {off:.1f} deg at the fold, true the end"
    return f"the end is {off / 2.0:.1f} deg off the near edge, true it"


def squaring_line(found: FoundStrip, margin_mm: float, why: str, gives: int) -> CutLine:
    """Square to the fold, `margin_mm` further in than the innermost point of the end; the cloth is kept."""
    square = Cut("", 1, 1.0)
    across = inward(found, square)
    through = found.end_mat_mm[np.argmax(found.end_mat_mm @ across)] + margin_mm * across
    return line_through(found, square, through, "true_up", gives, why)


def strip_line(found: FoundStrip, width_mm: float, gives: int) -> CutLine:
    """`width_mm` in from the fresh end and along it, so that a strip is as wide at the fold as away from it."""
    along_end = Cut("", 1, width_mm, math.pi / 2.0 + off_square(found).rad)
    through = found.end_middle_mat_mm + width_mm * inward(found, along_end)
    return line_through(found, along_end, through, "unit", gives, "")


def lies_in(line: CutLine, area_mat_mm: Sequence[Point]) -> bool:
    """Whether a cut lies where there is light, and mat below it."""
    return bool(Polygon(area_mat_mm).buffer(-AT_RIM_MM).covers(LineString(line.cloth_mat_mm)))


def room_mm(found: FoundStrip) -> float:
    """How much cloth is left along the fold, from the end's innermost to the far end's innermost point."""
    across = inward(found, Cut("", 1, 1.0))
    return float(np.min(found.far_end_mat_mm @ across) - np.max(found.end_mat_mm @ across))


def rest_beyond(found: FoundStrip, line: CutLine) -> Polygon:
    """What is left of the cloth once this cut is made."""
    outline = Polygon(found.outline_mat_mm).buffer(0.0)
    low, high = line.cloth_mat_mm
    run = (high - low) / np.hypot(*(high - low))
    side = np.array([-run[1], run[0]]) * (1.0 if found.hand == "right" else -1.0)
    far = 1e4
    half_plane = Polygon([low - far * run, high + far * run, high + far * (run + side), low + far * (side - run)])
    rest = outline & half_plane
    return rest if isinstance(rest, Polygon) else outline


def widths_along_mm(strip: MeasuredStrip) -> tuple[float, float]:
    """The least and the greatest width, at either end of the straight lines through its long sides."""
    first, second = (side.ends_mat_mm for side in strip.long_sides)
    along = first[1] - first[0] + second[1] - second[0]
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    places = [abs(float((b - a) @ across)) for a, b in zip(first, second, strict=True)]
    return min(places), max(places)


def outline_of(strip: MeasuredStrip) -> Floats:
    """(4, 2): the corners of a strip, counter-clockwise."""
    first, second = (side.ends_mat_mm for side in strip.long_sides)
    return np.array([first[0], first[1], second[1], second[0]])


def depth_words(depth_mm: float, layers: int, wanted_mm: float, metric: bool = False) -> str:
    """Why strips of this cloth come out shorter than the plan counts on."""
    has, wants = length_text(depth_mm * layers, metric), length_text(wanted_mm, metric)
    return f"strips would be {has} long, the plan counts on {wants}; lay wider cloth, or press space to cut this"


def _longest_facing(cloth: MeasuredUnit, toward: float) -> int | None:
    """Number of the longest side whose outside faces away from the person (1) or toward them (-1)."""
    corners = cloth.corners_mat_mm
    runs = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*runs.T)
    # Counter-clockwise, a side with its outside toward the person runs to the right.
    facing = -toward * runs[:, 0] > math.cos(FACING_RAD) * lengths
    return int(np.argmax(np.where(facing, lengths, -1.0))) if facing.any() else None


def _yardage_from(cloth: MeasuredUnit, fold: int, away: int, hand: Hand) -> FoundStrip:
    corners, count = cloth.corners_mat_mm, len(cloth.corners_mat_mm)
    lower, upper = corners[[fold, (fold + 1) % count]], corners[[(away + 1) % count, away]]
    right = [(fold + 1 + k) % count for k in range((away - fold - 1) % count + 1)]
    left = [(away + 1 + k) % count for k in range((fold - away - 1) % count + 1)][::-1]
    end, far = (right, left) if hand == "right" else (left, right)
    along = (lower[1] - lower[0]) / math.dist(*lower)
    sides = end[:-1] if hand == "right" else end[1:]
    return FoundStrip(
        outline_mat_mm=corners,
        lower_mat_mm=lower,
        upper_mat_mm=upper,
        end_mat_mm=corners[end],
        far_end_mat_mm=corners[far],
        along=along,
        width_mm=float((upper.mean(axis=0) - lower[0]) @ [-along[1], along[0]]),
        hand=hand,
        cut_off=cloth.trouble == CUT_OFF,
        end_u_rad=math.hypot(float(cloth.tilts_u_rad[fold]), float(np.max(cloth.tilts_u_rad[sides], initial=0.0))),
    )


def _runs_along(rim: BaseGeometry, side_mat_mm: Floats) -> bool:
    """Whether a side lies on the rim of what is seen, so that the cloth goes on beyond it."""
    inner = side_mat_mm[0] + np.linspace(0.1, 0.9, 9)[:, None] * (side_mat_mm[1] - side_mat_mm[0])
    return bool(np.all(shapely.distance(rim, shapely.points(inner)) < AT_RIM_MM))
