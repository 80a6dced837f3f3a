"""Every scene of the guided cut on every mat, for people on every side of it, with cloth wherever it happens to lie.

Properties, not examples: nothing overlaps, nothing leaves the light, nothing is too small, the cautions are all there.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import rotate

from projector.guide.scene.cautions import LONGER_LIST, cautions, longer_list
from projector.guide.scene.helppage import HELP, help_scene
from projector.guide.scene.page import ON_CLOTH
from projector.guide.scene.room import CLEARANCE_MM, Room
from projector.guide.scene.scenes import Fill, Ink, Scene, Stroke, Words
from projector.guide.sitting import TURNS, Sitting
from projector.guide.steps import Record
from projector.guide.units.layout import find_strip, unit_line
from projector.guide.units.stage import scene_of
from projector.guide.units.state import Cutting, Lying, Phase
from projector.piecing.plans import Cut, Plan, Strip, Unit
from tests.projector.guide.legible import faults, text_box, without_cautions
from tests.projector.guide.onstage import OnStage, every_scene
from vision.lamplight.matlight import MatLight
from vision.units import Judged, MeasuredUnit, Verdict, Width

IN = 25.4
MATS_IN = [(18, 12), (24, 18), (36, 24)]
LONG_NOTE = "the end is 1 15/64 in out of true, true it"
stands = st.sampled_from(sorted(TURNS))


def area_of(mat_in: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    wide, deep = mat_in[0] * IN, mat_in[1] * IN
    return ((0.0, 0.0), (wide, 0.0), (wide, deep), (0.0, deep))


def measured(corners: np.ndarray, width_mm: float, cut_mm: float) -> MeasuredUnit:
    zeros, sides = np.zeros(4), np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    widths = (Width((0, 2), width_mm, width_mm, width_mm, 0.05), Width((1, 3), cut_mm, cut_mm, cut_mm, 0.05))
    return MeasuredUnit(corners, zeros, sides, zeros, zeros, widths)


@st.composite
def tables(draw: st.DrawFn) -> tuple[Cutting, tuple[float, float]]:
    """A strip somewhere on a mat with its next cut, a unit with any verdict beside it, a person anywhere."""
    mat = draw(st.sampled_from(MATS_IN))
    wide, deep = mat[0] * IN, mat[1] * IN
    width, hand = draw(st.floats(35.0, 110.0)), draw(st.sampled_from(["right", "left"]))
    long = draw(st.floats(0.35, 0.75)) * wide
    angle, lean = math.radians(draw(st.sampled_from([90.0, 60.0, 45.0]))), draw(st.sampled_from(["left", "right"]))
    cut = Cut("bright", draw(st.integers(1, 40)), draw(st.floats(25.0, 60.0)), angle, lean)
    plan = Plan("a plan", (Strip("bright", width, long),), (Unit("kite", cut),), hand=hand)
    turn, middle = math.radians(draw(st.floats(-25.0, 25.0))), np.array([wide, deep]) * draw(st.floats(0.4, 0.6))
    quad = np.array([(-long, -width), (long, -width), (long, width), (-long, width)]) / 2
    corners = quad @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + middle
    strip = find_strip([measured(corners, width, long)], plan.strips[0], hand)
    at = np.array([draw(st.floats(0.1, 0.9)) * wide, draw(st.floats(0.1, 0.9)) * deep])
    unit = np.array([(0, 0), (50, 0), (50, width), (0, width)]) - [25, width / 2] + at
    verdict = draw(st.sampled_from(sorted(Verdict, key=lambda one: one.value)))
    judged = Judged(measured(unit, width, cut.width_mm + 1.6), verdict=verdict, why="cut edge 1/16 in too wide")
    record = Record(judged, "kite", 1, cut.make)
    state = Cutting(
        plan,
        area_of(mat),
        phase=Phase.CUT_UNIT,
        strip=strip,  # type: ignore[arg-type]
        line=unit_line(strip, cut),  # type: ignore[arg-type]
        lying=(Lying(unit, record),),
        last=record,
        sitting=Sitting(draw(stands), draw(st.sampled_from([None, 3.0]))),
    )
    return state, (wide, deep)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(tables())
def test_no_scene_with_a_cut_overlaps_leaves_the_light_or_lacks_a_caution(
    table: tuple[Cutting, tuple[float, float]],
) -> None:
    state, (wide, deep) = table
    assert state.strip is not None
    cloths = [Polygon(state.strip.outline_mat_mm), *(Polygon(one.outline_mat_mm) for one in state.lying)]
    scene = scene_of(state)
    assert faults(scene, box(0, 0, wide, deep), cloths, state.sitting.turn_rad) == []
    assert without_cautions(scene) == []
    assert scene.caution
    if state.sitting.ruler_mm is not None:
        assert sum(isinstance(mark, Stroke) and mark.lift_mm == 3.0 for mark in scene.marks) == 2


@pytest.mark.parametrize("mat_in", MATS_IN)
@pytest.mark.parametrize("stand", sorted(TURNS))
@pytest.mark.parametrize("phase", [phase for phase in Phase if phase not in (Phase.TRUE_END, Phase.CUT_UNIT)])
def test_every_other_scene_is_legible_from_every_side(mat_in: tuple[float, float], stand: str, phase: Phase) -> None:
    name = "a long name of a strip"
    plan = Plan("a plan", (Strip(name, 60.0, 300.0),), (Unit("k", Cut(name, 3, 40)),))
    sitting = Sitting(stand, None)  # type: ignore[arg-type]
    scene = scene_of(Cutting(plan, area_of(mat_in), phase=phase, note=LONG_NOTE, sitting=sitting))
    assert faults(scene, box(0, 0, mat_in[0] * IN, mat_in[1] * IN), [], sitting.turn_rad) == []
    assert any(isinstance(mark, Words) for mark in scene.marks)


@pytest.mark.parametrize("mat_in", MATS_IN)
@pytest.mark.parametrize("stand", sorted(TURNS))
def test_the_longer_list_and_the_page_of_help_fit_every_mat(mat_in: tuple[float, float], stand: str) -> None:
    sitting = Sitting(stand)  # type: ignore[arg-type]
    area = box(0, 0, mat_in[0] * IN, mat_in[1] * IN)
    help_page = help_scene(area_of(mat_in), sitting)
    listed = Scene("cautions", longer_list(Room(area.buffer(-CLEARANCE_MM), turn_rad=sitting.turn_rad)))
    for scene in (help_page, listed):
        assert faults(scene, area, [], sitting.turn_rad) == []
    said = [mark.text for mark in (*help_page.marks, *listed.marks) if isinstance(mark, Words)]
    assert {does for _, does in HELP} <= set(said)
    assert all(line in " ".join(said) for line in LONGER_LIST)


def test_the_check_itself_sees_what_is_wrong() -> None:
    area, cloth = box(0, 0, 300, 200), box(100, 0, 200, 200)
    wrong = {
        "leaves the light": [Words("HELLO", (5.0, 50.0), 10.0, Ink.WORDS)],
        "lies on cloth": [Words("HELLO", (110.0, 50.0), 10.0, Ink.WORDS)],
        "lies on 'HI'": [Words("HI", (50.0, 50.0), 10.0, Ink.WORDS), Words("HO", (55.0, 55.0), 10.0, Ink.WORDS)],
        "is too small": [Words("HELLO", (50.0, 50.0), 6.0, Ink.WORDS)],
        "the fraction in": [Words("1/4", (50.0, 50.0), 10.0, Ink.WORDS)],
        "is not upright": [Words("HELLO", (50.0, 50.0), 10.0, Ink.WORDS, math.pi)],
        "on the cut": [
            Words("HELLO", (50.0, 50.0), 10.0, Ink.WORDS),
            Stroke(((40.0, 0.0), (40.0, 99.0)), 1.0, Ink.CUT),
        ],
    }
    for fault, marks in wrong.items():
        assert any(fault in one for one in faults(Scene("wrong", tuple(marks)), area, [cloth])), fault
    assert faults(Scene("right", (Words("HELLO", (50.0, 50.0), 10.0, Ink.WORDS),)), area, [cloth]) == []
    turned = text_box(Words("HELLO", (50.0, 50.0), 10.0, Ink.WORDS, math.pi / 2))
    assert turned.equals_exact(rotate(text_box(Words("HELLO", (50.0, 50.0), 10.0, Ink.WORDS)), 90, (50, 50)), 1e-6)
    assert without_cautions(Scene("nothing"))
    assert ON_CLOTH


@pytest.mark.parametrize("shown", list(every_scene()), ids=lambda shown: shown.name)
def test_a_scene_of_every_kind_is_legible_and_has_its_cautions(shown: OnStage) -> None:
    cloths = [Polygon(outline) for outline in shown.cloths]
    assert faults(shown.scene, box(0, 0, 36 * IN, 24 * IN), cloths) == []
    if shown.scene.cut_mat_mm is not None:
        assert without_cautions(shown.scene) == []
        assert shown.scene.caution


@pytest.mark.parametrize(
    ("lit", "dark", "patch"),
    [(0.8, 0.02, Ink.CAUTION), (0.6, 0.075, Ink.WORDS), (0.1, 0.01, Ink.CAUTION)],  # yellow too, white alone, neither
)
def test_the_signal_word_stands_on_yellow_unless_white_alone_can_be_read(lit: float, dark: float, patch: Ink) -> None:
    """Contrast by hand: (0.85 / 0.07 and yellow's less), 0.65 / 0.125 = 5.2 with yellow's 4.1, 0.15 / 0.06 = 2.5."""
    light = MatLight((0.0, 0.0), np.full((31, 46), lit), np.full((31, 46), dark))
    found = cautions(Room(box(5, 5, 450, 300)), light)
    fills = [mark for mark in found.marks if isinstance(mark, Fill)]
    assert fills[0].ink is patch
    assert found.clear
    assert found.readable is (light.typical >= 4.5)
