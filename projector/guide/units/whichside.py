"""Which sides of a unit were the strip's edges, where its shape cannot tell: a square looks the same from four sides.

The strip that it was cut from was measured where it was cut: the sides as far apart as the strip is wide there are the
strip's edges. Where both widths come as near, those are that lie as the strip does, for a unit is slid aside as it was
cut; the widths being alike, little is lost where it was not. A unit that is trimmed is told by itself: a straight cut
leaves one of its widths as it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from projector.guide.looks import Seen
from projector.guide.units.layout import Floats
from projector.guide.units.onecut import CUT_SIDES
from projector.guide.units.sorting import same_place
from projector.guide.units.state import Cutting, Phase, wanted
from vision.comparing.compare import GUARD, judge_numbered
from vision.comparing.expected import ExpectedShape
from vision.comparing.symmetry import symmetries
from vision.units import Judged, MeasuredUnit, Verdict

STRIP_SIDES = (0, 2)  # of a unit that parallel cuts take from a strip
FACE_UP = (Verdict.FITS, Verdict.CLOSE, Verdict.TRIM, Verdict.SHORT)
OTHER_SIDES = {STRIP_SIDES: CUT_SIDES, CUT_SIDES: STRIP_SIDES}


@dataclass(frozen=True, eq=False, slots=True)
class Before:
    """What is known of a unit's sides from before it was measured.

    Widths in mm and their standard uncertainties by the sides that they lie between, one of which at least still holds;
    and the direction of its strip edges.
    """

    widths_mm: dict[tuple[int, int], tuple[float, float]]
    along: Floats  # (2,)


def with_sides_told(state: Cutting, seen: Seen) -> Seen:
    """The same cloths; units whose sides the shape cannot tell are numbered as they were cut, and judged by that."""
    shape = wanted(state)
    if shape is None or len(shape.corners_mm) != 4 or len(symmetries(shape)) != 4:
        return seen
    return Seen(tuple(_told(state, one, shape) for one in seen.cloths))


def _told(state: Cutting, judged: Judged, shape: ExpectedShape) -> Judged:
    if judged.expected != shape.name or judged.verdict not in FACE_UP:
        return judged
    before = _before(state, judged.unit)
    return judged if before is None else numbered(judged, shape, before)


def numbered(judged: Judged, square: ExpectedShape, before: Before) -> Judged:
    """A unit judged under the numbers that its sides had `before`; itself where it is numbered so already.

    Half a turn changes no width: as everywhere, corner 0 is then the one that lies lower on the mat.
    """
    unit = judged.unit
    if not _are_swapped(unit, before):
        return judged
    roll = min((1, 3), key=lambda by: tuple(unit.corners_mat_mm[-by % 4][::-1]))
    return judge_numbered(unit, square, roll)


def _before(state: Cutting, unit: MeasuredUnit) -> Before | None:
    """The strip as it was before the cut; of a unit that is trimmed where it lies, itself as it was judged."""
    if state.phase is Phase.TRIM_UNIT and state.last is not None:
        last = state.last.judged.unit
        if same_place(last.corners_mat_mm, unit.corners_mat_mm):
            return Before({one.sides: (one.mean_mm, one.u_mm) for one in last.widths}, _run(last, 0))
    strip = state.strip
    if strip is None:
        return None
    return Before({STRIP_SIDES: (strip.end_width_mm, strip.end_width_u_mm)}, strip.along)


def _are_swapped(unit: MeasuredUnit, before: Before) -> bool:
    """Whether what are numbered as cut edges were the strip's."""
    widths_mm = {one.sides: (one.mean_mm, one.u_mm) for one in unit.widths}
    if not set(OTHER_SIDES) <= set(widths_mm):
        return False
    (as_is, u), (swapped, swapped_u) = (
        min(
            (abs(widths_mm[now[sides]][0] - mm), math.hypot(widths_mm[now[sides]][1], mm_u))
            for sides, (mm, mm_u) in before.widths_mm.items()
        )
        for now in ({sides: sides for sides in OTHER_SIDES}, OTHER_SIDES)
    )
    if abs(as_is - swapped) > GUARD * math.hypot(u, swapped_u):
        return swapped < as_is
    return _off(_run(unit, 1), before.along) < _off(_run(unit, 0), before.along)


def _run(unit: MeasuredUnit, side: int) -> Floats:
    """(2,) from a side's first corner to its second."""
    return np.asarray(unit.corners_mat_mm[(side + 1) % 4] - unit.corners_mat_mm[side])


def _off(run: Floats, along: Floats) -> float:
    """Sine of the angle between two directions, whichever way they run."""
    return abs(float(run[0] * along[1] - run[1] * along[0])) / float(np.hypot(*run) * np.hypot(*along))
