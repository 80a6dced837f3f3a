"""The scenes: words clear of cloth and of each other, the cautions always there, the line as it was laid."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from projector.guide.scene.cautions import CAUTIONS, SIGNAL_WORD
from projector.guide.scene.room import ABOVE, BELOW, Room, Row
from projector.guide.scene.scenes import Fill, Ink, Stroke, Words
from projector.guide.units.blade import Blade
from projector.guide.units.cutting import begin, step
from projector.guide.units.state import KeyPressed, MatCleared, Phase, Seen
from projector.guide.units.verdicts import verdict_rows, verdict_sign
from projector.light.lettering import text_width_mm
from projector.piecing.plans import Cut, Plan, Strip, Unit
from vision.units import Judged, MeasuredUnit, Verdict, Width

IN = 25.4
MATS_IN = [(18, 12), (24, 18), (36, 24)]
PLAN = Plan("a plan", (Strip("bright", 60.0, 300.0),), (Unit("kite", Cut("bright", 3, 40.0, math.radians(45))),))


def quad(corners, verdict=Verdict.OTHER, why=""):
    corners = np.asarray(corners, float)
    widths = (Width((0, 2), 60.0, 60.0, 60.0, 0.05), Width((1, 3), 40.0, 40.0, 40.0, 0.05))
    zeros = np.zeros(4)
    unit = MeasuredUnit(corners, zeros, zeros, zeros, zeros, widths)
    return Judged(unit, "kite", zeros, zeros, verdict, 1.0, why)


def rhomboid(x, y, along, turned=0.0, **kwargs):
    return quad([(x, y), (x + along, y), (x + along + 60, y + 60), (x + 60 * turned, y + 60)], **kwargs)


STRIP = quad([(40, 130), (340, 130), (340, 190), (40, 190)])
TRUED = rhomboid(40, 130, 230)
CUT_ONCE = rhomboid(40, 130, 230 - 40 * math.sqrt(2))
UNIT = rhomboid(260, 60, 40 * math.sqrt(2), 1.0, verdict=Verdict.CLOSE, why="cut edge 1/16 in too wide")


def scenes(mat_in):
    """Every scene of a short run on a mat of this size, with the cloth that lies there."""
    width, depth = mat_in[0] * IN, mat_in[1] * IN
    now = begin(PLAN, ((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)))
    yield now.scene, []
    script = [
        (MatCleared(), []),
        (Seen((STRIP,)), [STRIP]),
        (Seen((TRUED,)), [TRUED]),
        (Seen((CUT_ONCE, UNIT)), [CUT_ONCE, UNIT]),
        (KeyPressed("q"), [CUT_ONCE, UNIT]),
    ]
    for observation, cloths in script:
        now = step(now.state, observation)
        yield now.scene, [Polygon(cloth.unit.corners_mat_mm) for cloth in cloths]


def text_box(words):
    """Where the typeface really puts a line of text."""
    x, y = words.at_mat_mm
    half = text_width_mm(words.text, words.height_mm) / 2
    return box(x - half, y - BELOW * words.height_mm, x + half, y + ABOVE * words.height_mm)


@pytest.mark.parametrize("mat_in", MATS_IN)
def test_words_lie_in_the_light_clear_of_cloth_and_of_one_another(mat_in):
    area = box(0, 0, mat_in[0] * IN, mat_in[1] * IN).buffer(1e-6)
    for scene, cloths in scenes(mat_in):
        boxes = [text_box(mark) for mark in scene.marks if isinstance(mark, Words)]
        assert boxes
        for k, text in enumerate(boxes):
            assert area.covers(text)
            assert all(text.disjoint(cloth) for cloth in cloths)
            assert all(text.intersection(other).area < 1e-6 for other in boxes[:k])
            if scene.cut_mat_mm:
                assert text.disjoint(LineString(scene.cut_mat_mm))


@pytest.mark.parametrize("mat_in", MATS_IN)
def test_nothing_but_the_cut_lies_on_cloth(mat_in):
    for scene, cloths in scenes(mat_in):
        for mark in scene.marks:
            if isinstance(mark, Stroke) and mark.ink is not Ink.CUT:
                assert all(LineString(mark.points_mat_mm).disjoint(cloth) for cloth in cloths)
            if isinstance(mark, Fill) and mark.ink is not Ink.CUT:
                assert all(Polygon(mark.corners_mat_mm).disjoint(cloth) for cloth in cloths)


@pytest.mark.parametrize("mat_in", MATS_IN)
def test_every_scene_with_a_cut_has_the_cautions_upright_and_large_enough(mat_in):
    shown = [scene for scene, _ in scenes(mat_in) if scene.cut_mat_mm]
    assert [scene.name for scene in shown] == ["true_end", "cut_unit", "cut_unit"]
    for scene in shown:
        assert scene.caution
        words = [mark for mark in scene.marks if isinstance(mark, Words)]
        (signal,) = [mark for mark in words if mark.text == SIGNAL_WORD]
        patches = [mark for mark in scene.marks if isinstance(mark, Fill) and mark.ink is Ink.CAUTION]
        assert signal.ink is Ink.DARK
        assert any(Polygon(patch.corners_mat_mm).contains(Point(signal.at_mat_mm)) for patch in patches)
        assert all(caution in " ".join(mark.text for mark in words) for caution in CAUTIONS)
        assert all(mark.height_mm >= 8.0 for mark in words)
        assert all(mark.turn_rad == 0.0 for mark in scene.marks if isinstance(mark, Words))


def test_a_scene_without_a_cut_claims_no_caution():
    for scene, _ in scenes((36, 24)):
        assert (
            scene.caution
            == (scene.cut_mat_mm is not None)
            == any(isinstance(mark, Stroke) and mark.ink is Ink.CUT for mark in scene.marks)
        )


def test_the_cautions_are_never_left_out_for_want_of_room():
    """A mat that is all cloth: written over it at the near edge rather than not at all."""
    area = ((40.0, 130.0), (345.0, 130.0), (345.0, 250.0), (40.0, 250.0))
    now = step(step(begin(PLAN, area).state, MatCleared()).state, Seen((STRIP,)))
    assert now.state.phase is Phase.TRUE_END
    said = " ".join(mark.text for mark in now.scene.marks if isinstance(mark, Words))
    assert all(caution in said for caution in CAUTIONS)


def test_all_of_the_line_s_width_lies_beside_the_cut_and_the_mark_lies_on_the_kept_side():
    for scene, cloths in scenes((36, 24)):
        if scene.cut_mat_mm is None:
            continue
        line, *bars = [mark for mark in scene.marks if isinstance(mark, Stroke) and mark.ink is Ink.CUT]
        assert line.width_mm == 1.0
        drawn = LineString(line.points_mat_mm).buffer(line.width_mm / 2, cap_style="flat")
        cut = LineString(scene.cut_mat_mm)
        assert cut.hausdorff_distance(drawn.exterior & cut.buffer(1e-6)) < 1e-6  # the cut is one rim of it
        assert not any(cloths[0].covers(Point(end)) for end in scene.cut_mat_mm)
        (mark,) = [mark for mark in scene.marks if isinstance(mark, Fill) and mark.ink is Ink.KEEP]
        (x0, y0), (x1, y1) = scene.cut_mat_mm

        def left(x, y, start=(x0, y0), run=(x1 - x0, y1 - y0)):
            return run[0] * (y - start[1]) - run[1] * (x - start[0]) > -1e-9

        kept = scene.keep == "left"
        assert {left(*corner) for corner in mark.corners_mat_mm} == {kept}
        assert {left(*point) for bar in [line, *bars] for point in bar.points_mat_mm[1:]} == {not kept}
        assert len(bars) == 2


def _is_caution(mark):
    return mark.text == SIGNAL_WORD or any(caution in mark.text for caution in CAUTIONS)


def test_the_words_of_a_cut():
    texts = [
        [mark.text for mark in scene.marks if isinstance(mark, Words) and not _is_caution(mark)]
        for scene, _ in scenes((36, 24))
    ]
    assert texts[0] == ["clear the mat"]
    assert texts[1] == ["lay the strip across: bright", "60.0 mm wide, 300.0 mm long"]
    set_by = ["set the ruler's edge by the light on the cloth", "cut, then slide the unit aside"]
    assert texts[2] == ["keep", "ruler", "true the raw end first", "this strip gives 4", set_by[0]]
    assert texts[3] == ["keep", "ruler", "1 of 3, this strip gives 4", *set_by]
    assert texts[4] == [
        "keep",
        "ruler",
        "2 of 3, this strip gives 3",
        "1 9/16 in, close",
        "planned 1 9/16 in, no difference",
        "cut edge 1/16 in too wide",
    ]
    assert texts[5][0] == "stopped, 1 of 3 units are cut"


@pytest.mark.parametrize(
    ("verdict", "width_mm", "nominal_mm", "said"),
    [
        (Verdict.FITS, 82.6, 82.55, "3 1/4 in, fits"),
        (Verdict.TRIM, 84.1, 82.55, "3 5/16 in, trim"),
        (Verdict.SHORT, 82.4, 82.55, "3 31/128 in, short"),  # never rounded so that it reads like the plan
        (Verdict.TURNED_OVER, 90.0, 82.55, "3 17/32 in, turned over"),
        (Verdict.LOOK_AGAIN, 82.6, 82.55, "look again"),
    ],
)
def test_the_words_of_a_verdict(verdict, width_mm, nominal_mm, said):
    corners, zeros = np.array([(0, 0), (80, 0), (80, 60), (0, 60)], float), np.zeros(4)
    widths = (Width((0, 2), 60.0, 60.0, 60.0, 0.1), Width((1, 3), width_mm, width_mm, width_mm, 0.1))
    judged = Judged(MeasuredUnit(corners, zeros, zeros, zeros, zeros, widths), verdict=verdict)
    assert verdict_rows(judged, nominal_mm)[0].text == said


def test_signs_differ_in_form_between_good_bad_and_doubt():
    forms = {verdict: verdict_sign(verdict)((0.0, 0.0), 10.0, Ink.WORDS, 0.0).points_mat_mm for verdict in Verdict}
    good, bad, doubt = forms[Verdict.FITS], forms[Verdict.SHORT], forms[Verdict.CLOSE]
    assert len({good, bad, doubt}) == 3
    assert forms[Verdict.TRIM] == bad
    assert forms[Verdict.LOOK_AGAIN] == doubt


@pytest.mark.parametrize("text", [SIGNAL_WORD, *CAUTIONS, "1 of 12, this strip gives 7", "3 5/16 in, trim"])
def test_the_room_kept_for_words_is_enough_for_the_typeface(text):
    row = Row(text, 10.0)
    wide = text_width_mm(text, row.capital_mm)
    assert wide <= row.width_mm <= 1.25 * wide


def test_a_free_place_is_the_nearest_one():
    room = Room(box(0, 0, 400, 300), (box(100, 0, 400, 300),))
    x, y = room.free_place(40, 20, (200, 150))
    assert x + 20 <= 100 - 5 + 1e-9
    assert x + 20 > 95 - 8  # the grid
    assert abs(y - 150) < 8


def test_without_room_there_is_no_place():
    assert Room(box(0, 0, 100, 100), (box(40, 40, 60, 60),)).free_place(70, 70, (50, 50)) is None
    assert Room(box(0, 0, 100, 100)).free_place(101, 10, (50, 50)) is None
    assert Room(box(0, 0, 100, 100)).free_place(100, 100, (0, 0)) == (50, 50)


def test_what_must_be_turned_or_trimmed_is_said_on_a_small_mat_too():
    """Words of a strip to be turned, of an offered shift and of a unit to be trimmed all find room on 18 x 12 in."""
    area = ((0.0, 0.0), (18 * IN, 0.0), (18 * IN, 12 * IN), (0.0, 12 * IN))
    said = {}
    along = quad([(230, 20), (230, 280), (170, 280), (170, 20)])
    square = replace(PLAN, units=(Unit("bar", Cut("bright", 3, 40.0)),))
    now = step(step(begin(square, area).state, MatCleared()).state, Seen((along,)))
    said["turn"] = _words(now.scene)
    offered = begin(PLAN, area, blade=Blade((0.4,) * 9))
    now = step(step(offered.state, MatCleared()).state, Seen((quad([(40, 200), (300, 200), (300, 260), (40, 260)]),)))
    said["offer"] = _words(now.scene)
    assert said["turn"][:2] == ["turn the strip", "about 90 deg clockwise"]
    assert {"the blade runs 0.4 mm beside the ruler", "space shifts the line", "b leaves it"} & set(said["offer"])


def _words(scene):
    return [mark.text for mark in scene.marks if isinstance(mark, Words)]
