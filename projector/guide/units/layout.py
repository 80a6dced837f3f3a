"""Where the next cut goes: pure geometry of the strip as it was measured, in the mat frame.

The strip is named as if it lay across: its lower edge is the one nearer the person, `along` points to the right.
A strip turned by half a turn gives the same parallelogram, so that nothing depends on which edge is which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from projector.piecing.lengths import length_text
from projector.piecing.plans import Cut, Hand, Strip
from vision.units import MeasuredUnit, Width

Floats = NDArray[np.float64]
Purpose = Literal["unit", "true_up", "trim"]
Side = Literal["left", "right"]

WIDTH_SLACK_MM = 4.0  # a strip this far off its planned width is another strip
REACH_MM = 25.0  # a cut line is drawn this far past the cloth at both ends
SEAM_SLACK_RAD = math.radians(3.0)  # a line that runs farther off the long sides is no seam of a strip
CUT_OFF = "cut_off"  # a trouble that a strip may have: it hangs over the mat's end
UNSURE = "unsure"  # another: some side is hardly seen, but it is measured, and says how surely


@dataclass(frozen=True, eq=False, slots=True)
class FoundStrip:
    """A strip on the mat. Ends run from its lower to its upper edge; long sides from left to right."""

    outline_mat_mm: Floats  # (N, 2) counter-clockwise
    lower_mat_mm: Floats  # (2, 2)
    upper_mat_mm: Floats  # (2, 2)
    end_mat_mm: Floats  # (K, 2), K >= 2: the end that is worked on
    far_end_mat_mm: Floats  # (L, 2), L >= 2
    along: Floats  # (2,) unit vector along the seam, else along the long sides; to the right
    width_mm: float
    hand: Hand
    cut_off: bool = False
    end_u_rad: float = 0.0  # standard uncertainty of the end's direction against `along`; of a stepped end, its worst
    end_width_u_mm: float = 0.0  # standard uncertainty of `end_width_mm`

    @property
    def length_mm(self) -> float:
        """Mean of the two long sides."""
        return float(np.mean([math.dist(*self.lower_mat_mm), math.dist(*self.upper_mat_mm)]))

    @property
    def end_middle_mat_mm(self) -> Floats:
        """(2,) the point half way between the end's two outer corners."""
        return np.asarray((self.end_mat_mm[0] + self.end_mat_mm[-1]) / 2.0)

    @property
    def end_width_mm(self) -> float:
        """From long side to long side at the worked end: a strip may taper."""
        across = np.array([-self.along[1], self.along[0]])
        lower, upper = (
            crossing(self.end_middle_mat_mm, across, side) for side in (self.lower_mat_mm, self.upper_mat_mm)
        )
        return math.dist(lower, upper)


@dataclass(frozen=True, slots=True)
class NotTheStrip:
    """Why no cloth on the mat is the strip: a sentence for the person; `width_mm` of the nearest, if any."""

    why: str
    width_mm: float | None = None


@dataclass(frozen=True, eq=False, slots=True)
class CutLine:
    """The next cut, from the lower to the upper edge of the strip, and how much it leaves."""

    purpose: Purpose
    cloth_mat_mm: Floats  # (2, 2) where it crosses the long edges
    shown_mat_mm: Floats  # (2, 2) reaching past the cloth at both ends
    keep: Side  # seen along it
    units_left: int  # that the strip gives, this one included; after the cut if it is a truing cut
    why: str = ""  # of a truing cut
    ruler: Side = "left"  # where the ruler lies, seen along the line; the blade runs beside its other side

    def moved(self, by_mm: Floats) -> CutLine:
        """The same line elsewhere, by a shift (2,)."""
        return replace(self, cloth_mat_mm=self.cloth_mat_mm + by_mm, shown_mat_mm=self.shown_mat_mm + by_mm)


def find_strip(
    cloths: Sequence[MeasuredUnit], strip: Strip, hand: Hand, before: Floats | None = None, metric: bool = False
) -> FoundStrip | NotTheStrip:
    """The longest cloth with two parallel sides as far apart as the strip is wide.

    What is left of a strip may be about as long as wide: its long sides are those that run as its seams do, or, where
    it has none, as they ran `before`.

    Parameters
    ----------
    cloths : what was measured; cloth in any trouble but `cut_off` and `unsure` is passed over.
    strip : which strip is wanted; its width must be met within `WIDTH_SLACK_MM`.
    hand : the right hand works on the strip's right end, the left hand on its left end.
    before : (2,) unit vector along the strip as it lay until now, if it did.
    metric : whether words have millimetres.
    """
    sound = [cloth for cloth in cloths if cloth.trouble in (None, CUT_OFF, UNSURE) and len(cloth.corners_mat_mm) >= 4]
    pairs = [
        (cloth, width, width.mean_mm, float(np.mean(cloth.sides_mm[list(width.sides)])))
        for cloth in sound
        for width in cloth.widths
    ]
    fitting = [pair for pair in pairs if abs(pair[2] - strip.width_mm) <= WIDTH_SLACK_MM]
    if fitting:
        cloth, width, *_ = max(
            fitting, key=lambda pair: (_runs_along(pair[0], pair[1].sides[0], strip, before), pair[3])
        )
        return _strip_from(cloth, width, bool(strip.seams_mm), hand)
    wanted = f"{strip.name} should be {length_text(strip.width_mm, metric)} wide"
    if not pairs:
        return NotTheStrip(f"no strip is seen, {wanted}")
    width_mm = max(pairs, key=lambda pair: pair[3])[2]
    return NotTheStrip(f"this is {length_text(width_mm, metric)} wide, {wanted}", width_mm)


def unit_line(found: FoundStrip, cut: Cut, kept_back_mm: float = 0.0) -> CutLine:
    """At the cut's angle, the cut's width from the middle of the end; the unit is kept."""
    through = found.end_middle_mat_mm + cut.width_mm * inward(found, cut)
    units = units_beyond(found, cut, found.end_middle_mat_mm, kept_back_mm)
    return line_through(found, cut, through, "unit", units, "")


def step_mm(cut: Cut) -> float:
    """How much shorter a strip gets by one unit, along its edge."""
    return cut.width_mm / math.sin(cut.angle_rad)


def shrinks_by_mm(found: FoundStrip, line: CutLine) -> float:
    """How much shorter the strip will be after this cut, along its edge."""
    lower, upper = line.cloth_mat_mm
    ends = found.end_mat_mm
    return float(np.mean([abs((ends[0] - lower) @ found.along), abs((ends[-1] - upper) @ found.along)]))


def rise_of(found: FoundStrip, cut: Cut) -> Floats:
    """Unit vector along the cut, away from the person."""
    turn = cut.angle_rad if cut.lean == "right" else math.pi - cut.angle_rad
    cosine, sine = math.cos(turn), math.sin(turn)
    x, y = found.along
    return np.array([cosine * x - sine * y, sine * x + cosine * y])


def inward(found: FoundStrip, cut: Cut) -> Floats:
    """Unit vector at right angles to the cut, from the worked end into the strip."""
    x, y = rise_of(found, cut)
    return np.array([-y, x]) if found.hand == "right" else np.array([y, -x])


def units_beyond(found: FoundStrip, cut: Cut, through: Floats, kept_back_mm: float = 0.0) -> int:
    """Whole units between a line along the cut and the innermost point of the far end, or so far before it."""
    room_mm = float(np.min((found.far_end_mat_mm - through) @ inward(found, cut))) - kept_back_mm
    return max(0, math.floor(room_mm / cut.width_mm))


def line_through(found: FoundStrip, cut: Cut, through: Floats, purpose: Purpose, units_left: int, why: str) -> CutLine:
    """A cut through a point. The ruler is held down on the strip by the hand that does not cut."""
    rise = rise_of(found, cut)
    cloth = np.array([crossing(through, rise, side) for side in (found.lower_mat_mm, found.upper_mat_mm)])
    shown = cloth + REACH_MM * np.array([-rise, rise])
    unit_side: Side = found.hand
    body_side: Side = "left" if found.hand == "right" else "right"
    return CutLine(purpose, cloth, shown, unit_side if purpose == "unit" else body_side, units_left, why, body_side)


def _strip_from(cloth: MeasuredUnit, width: Width, has_seam: bool, hand: Hand) -> FoundStrip:
    corners, sides = cloth.corners_mat_mm, width.sides
    directions = [_side(corners, side)[1] - _side(corners, side)[0] for side in sides]
    mean = directions[0] - directions[1]  # the outline runs along them in opposite senses
    mean = mean if (mean[0], mean[1]) > (0.0, 0.0) else -mean
    lower, upper = sides if directions[0] @ mean > 0.0 else sides[::-1]
    right, left = _chain(corners, lower, upper), _chain(corners, upper, lower)[::-1]
    first, last = (lower, upper) if hand == "right" else (upper, lower)
    end = [(first + 1 + k) % len(corners) for k in range((last - first - 1) % len(corners))]
    return FoundStrip(
        outline_mat_mm=corners,
        lower_mat_mm=_side(corners, lower),
        upper_mat_mm=_side(corners, upper)[::-1],
        end_mat_mm=right if hand == "right" else left,
        far_end_mat_mm=left if hand == "right" else right,
        along=_along(cloth, mean / np.hypot(*mean), has_seam),
        width_mm=width.mean_mm,
        hand=hand,
        cut_off=cloth.trouble == CUT_OFF,
        end_u_rad=_end_u_rad(cloth, end, sides),
        end_width_u_mm=_end_width_u_mm(cloth, width),
    )


def _end_width_u_mm(cloth: MeasuredUnit, width: Width) -> float:
    """The width's own, and what the long sides' directions, as if each erred for itself, make of it at an end."""
    sides = list(width.sides)
    return math.hypot(width.u_mm, math.hypot(*cloth.tilts_u_rad[sides]) * float(np.mean(cloth.sides_mm[sides])) / 2.0)


def _end_u_rad(cloth: MeasuredUnit, end: list[int], sides: tuple[int, int]) -> float:
    """Of the end's worst side and of the mean of the two long ones, which err each for itself."""
    tilts = cloth.tilts_u_rad
    return math.hypot(float(np.max(tilts[end])), math.hypot(*tilts[list(sides)].tolist()) / 2.0)


def _along(cloth: MeasuredUnit, mean: Floats, has_seam: bool) -> Floats:
    """Direction of the seams as they were found, if the strip should have any; else of the long sides."""
    total = np.zeros(2)
    for seam in cloth.seams if has_seam else ():
        run = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
        run = run if run @ mean > 0.0 else -run
        if math.acos(min(1.0, float(run @ mean / np.hypot(*run)))) < SEAM_SLACK_RAD:
            total += run
    return np.asarray(total / np.hypot(*total)) if total.any() else mean


def _runs_along(cloth: MeasuredUnit, side: int, strip: Strip, before: Floats | None) -> bool:
    """Whether a side runs along the strip, rather than across it, as far as that can be told."""
    seams = [seam.ends_mat_mm for seam in cloth.seams] if strip.seams_mm else []
    known = [ends[1] - ends[0] for ends in seams] or ([] if before is None else [before])
    run = np.diff(_side(cloth.corners_mat_mm, side), axis=0)[0]
    along = [abs(float(run @ one)) / float(np.hypot(*one)) for one in known]
    return not along or float(np.mean(along)) > math.sqrt(0.5) * float(np.hypot(*run))


def _side(corners: Floats, side: int) -> Floats:
    return corners[[side, (side + 1) % len(corners)]]


def _chain(corners: Floats, first: int, last: int) -> Floats:
    """Corners from the end of side `first` to the start of side `last`, counter-clockwise."""
    count = (last - first - 1) % len(corners) + 1
    return corners[[(first + 1 + k) % len(corners) for k in range(count)]]


def crossing(through: Floats, direction: Floats, side: Floats) -> Floats:
    """Where the line from `through` along `direction` meets the line of a side (2, 2), prolonged if need be."""
    run = side[1] - side[0]
    normal = np.array([-run[1], run[0]])
    return np.asarray(through + direction * ((side[0] - through) @ normal) / (direction @ normal))
