"""Which sides of a square were the strip's edges. Outlines are drawn, their widths known by hand; no outside source."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from projector.guide.looks import MatCleared, Seen
from projector.guide.units.cutting import begin, step
from projector.guide.units.state import wanted_of
from projector.guide.units.whichside import CUT_SIDES, STRIP_SIDES, Before, numbered
from projector.piecing.plans import Cut, Plan, Strip, Unit
from tests.projector.guide.units.test_cutting import AREA, box_at
from vision.comparing.compare import judge
from vision.polygons import outward_normals, sides_of
from vision.units import Judged, Verdict

SQUARE = Unit("lamp", Cut("tide", 4, 60.0))
PLAN = Plan("harbour", (Strip("tide", 60.0, 300.0),), (SQUARE,))
SHAPE = wanted_of(PLAN, SQUARE)
U_MM = 0.05
ACROSS, UP = np.array([1.0, 0.0]), np.array([0.0, 1.0])


def lying(along_mm: float, up_mm: float, turn_deg: float = 0.0) -> Judged:
    """A unit so long across the mat and up it, then turned, measured without error and judged as the app does."""
    corners = box_at(0.0, 0.0, along_mm, up_mm).unit.corners_mat_mm
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turned = corners @ np.array([[c, s], [-s, c]]) + 300.0
    unit = box_at(0.0, 0.0, along_mm, up_mm).unit
    return judge(replace(unit, corners_mat_mm=turned), [SHAPE])


def strip_widths_run(judged: Judged) -> tuple[float, float]:
    """The width from strip edge to strip edge, and its direction from the x axis in degrees, from 0 to 180."""
    wide = next(one.mean_mm for one in judged.unit.widths if one.sides == STRIP_SIDES)
    normal = outward_normals(judged.unit.corners_mat_mm)[0]
    return round(wide, 3), round(math.degrees(math.atan2(normal[1], normal[0]))) % 180


@pytest.mark.parametrize(
    ("along_mm", "up_mm", "turn_deg", "strip_mm", "said"),
    [
        # The strip lies across, its width is 59.8: the unit was slid aside, or turned by a quarter.
        pytest.param(60.3, 59.8, 0.0, 59.8, (59.8, 90), id="as it was cut"),
        pytest.param(59.8, 60.3, 0.0, 59.8, (59.8, 0), id="turned by a quarter"),
        pytest.param(60.3, 59.8, 3.0, 59.8, (59.8, 93), id="askew one way"),
        pytest.param(60.3, 59.8, -3.0, 59.8, (59.8, 87), id="askew the other way"),
        pytest.param(60.3, 59.8, 100.0, 59.8, (59.8, 10), id="turned by a hundred degrees"),
        pytest.param(60.3, 59.8, 190.0, 59.8, (59.8, 100), id="turned round"),
        # Both widths are as near: it lies as it was cut, and little is lost where it does not.
        pytest.param(60.05, 60.0, 0.0, 60.05, (60.0, 90), id="alike"),
        pytest.param(60.05, 60.0, 40.0, 60.05, (60.0, 130), id="alike, turned by less than half a quarter"),
        pytest.param(60.3, 59.7, 0.0, 60.0, (59.7, 90), id="as far off on both sides"),
    ],
)
def test_the_strip_tells_which_sides_were_its_edges(
    along_mm: float, up_mm: float, turn_deg: float, strip_mm: float, said: tuple[float, int]
) -> None:
    before = Before({STRIP_SIDES: (strip_mm, U_MM)}, ACROSS)
    for roll in range(4):  # however it was numbered when it was measured
        unit = lying(along_mm, up_mm, turn_deg)
        told = numbered(judge(rolled(unit, roll), [SHAPE]), SHAPE, before)
        assert strip_widths_run(told) == said
        again = numbered(told, SHAPE, before)
        assert again is told


def rolled(judged: Judged, roll: int) -> object:
    unit = judged.unit
    widths = tuple(
        replace(one, sides=tuple(sorted((side + roll) % 4 for side in one.sides)))  # type: ignore[arg-type]
        for one in unit.widths
    )
    return replace(unit, corners_mat_mm=np.roll(unit.corners_mat_mm, roll, axis=0), widths=widths)


def test_all_that_is_said_of_a_side_is_said_of_the_right_one() -> None:
    """The strip is 60, the cut 58.6 wide, the unit turned by a quarter: it is the cut edges that are too near."""
    both = lying(58.6, 60.0), lying(60.0, 58.6)
    for unit, along in zip(both, (ACROSS, UP), strict=True):
        told = numbered(unit, SHAPE, Before({STRIP_SIDES: (60.0, U_MM)}, along))
        assert told.verdict is Verdict.SHORT
        assert told.why.startswith("from cut edge to cut edge 1.4 mm too narrow")
        assert told.marks == CUT_SIDES
        assert told.offsets_mm is not None
        assert told.offsets_mm == pytest.approx([0.0, -0.7, 0.0, -0.7], abs=1e-6)
        assert {side for one in told.findings for side in one.sides} <= set(CUT_SIDES)
        assert sides_of(told.unit.corners_mat_mm).shape == (4, 2)


@pytest.mark.parametrize(
    ("along_mm", "up_mm", "said"),
    [
        pytest.param(60.0, 60.9, (60.9, 90), id="moved"),
        pytest.param(60.9, 60.0, (60.9, 0), id="turned by a quarter, not cut yet"),
        pytest.param(
            60.0, 60.05, (60.05, 90), id="trimmed along a strip edge, and no nearer to the strip than the cut is"
        ),
    ],
)
def test_a_unit_that_is_trimmed_is_told_by_itself(along_mm: float, up_mm: float, said: tuple[float, int]) -> None:
    """Before the trim it lay across, from strip edge to strip edge 60.9, from cut to cut 60.0."""
    before = Before({STRIP_SIDES: (60.9, U_MM), CUT_SIDES: (60.0, U_MM)}, ACROSS)
    assert strip_widths_run(numbered(lying(along_mm, up_mm), SHAPE, before)) == said


@pytest.mark.parametrize("up_mm", [59.6, 60.4])
def test_in_the_guided_cut_the_record_has_the_strips_own_width(up_mm: float) -> None:
    """A strip that is off, cut exactly: whichever way the unit was numbered, its record says that the strip is off."""
    deep = Plan("harbour", (Strip("tide", 60.0, 300.0),), (SQUARE,))
    raw, trued, once = (box_at(100, 300, long_mm, up_mm) for long_mm in (300.0, 296.8, 236.8))
    now = begin(deep, AREA)
    for cloths in ((raw,), (trued,), (once, lying(60.0, up_mm, 1.0))):
        now = step(
            now.state if now.state.phase.value != "clear_mat" else step(now.state, MatCleared()).state, Seen(cloths)
        )
    (record,) = now.records
    wide = next(one.mean_mm for one in record.judged.unit.widths if one.sides == STRIP_SIDES)
    assert wide == pytest.approx(up_mm)
    assert any(one.outline_mat_mm is record.judged.unit.corners_mat_mm for one in now.state.lying)
