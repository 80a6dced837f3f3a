"""Plans: read, refused in one line, written and read back, and how many units a strip gives."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import translate

from projector.piecing.planfile import demo_plan, load_plan, wanted_shape
from projector.piecing.planreading import plan_from_text, plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit, expected_shapes, units_from_strip
from projector.piecing.shapes import ShapeError, slant
from projector.piecing.tables import PlanError

DEMO = Path(__file__).parents[3] / "fixtures" / "plans" / "demo.toml"

STRIP = '[[strips]]\nname = "s"\nwidth = "4 in"\nlength = "20 in"\n'
UNIT = '[[units]]\nname = "u"\nfrom = "s"\nmake = 2\ncut_width = "3 in"\nangle = "45 deg"\n'


def read(text):
    return plan_from_text('name = "a plan"\n' + text, "plan.toml")


def test_the_demo_plan_has_thirteen_units_of_45_and_90_degrees_from_two_strips():
    plan = demo_plan()
    assert plan == load_plan(DEMO)
    assert plan.wanted == 13
    assert [strip.kind for strip in plan.strips] == ["strip_set", "strip"]
    assert [math.degrees(unit.cut.angle_rad) for unit in plan.units] == [45.0, 90.0]
    for strip in plan.strips:
        assert strip.length_mm < 914.4 - 2 * 50.8  # lies on a mat of 36 x 24 in with room at both ends
    shapes = expected_shapes(plan)
    assert shapes["wave"].seams_mm.shape == (1, 2, 2)
    assert shapes["lamp"].area_mm2 == pytest.approx(63.5**2)


def test_what_is_left_out_has_the_usual_values():
    plan = read(STRIP + UNIT)
    assert (plan.hand, plan.tolerance_mm, plan.seam_allowance_mm) == ("right", 0.79375, 6.35)
    assert plan.angle_tolerance_rad == math.radians(0.5)
    assert plan.strip("s").true_margin_mm == 3.175
    assert plan.unit("u").cut.lean == "right"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            STRIP + STRIP.replace('"s"', '"t"').replace("4 in", "4 1/0 in"),
            'plan.toml, strips[2].width = "4 1/0 in": a fraction cannot end in 0; '
            'write it like "4 1/2 in" or "114.3 mm"',
        ),
        (
            STRIP.replace("width", "widht"),
            'plan.toml, strips[1].widht: no such key; did you mean "width"?',
        ),
        (STRIP.replace('"4 in"', "4"), "strips[1].width = 4: does not fit; it must be text in quotes with its unit"),
        (STRIP.replace('"4 in"', "nan"), "strips[1].width = nan: does not fit; it must be text in quotes"),
        (STRIP.replace("4 in", "0 in"), 'strips[1].width = "0 in": does not fit; it must be greater than 0'),
        (STRIP.replace("4 in", "-4 in"), 'strips[1].width = "-4 in": a length cannot be negative'),
        (STRIP.replace("4 in", "1e308 mm"), 'strips[1].width = "1e308 mm": not a number with a unit'),
        ('[[strips]]\nname = "s"\n', 'strips[1].width is missing; write width = "4 1/2 in"'),
        (STRIP + 'seams = ["4 in"]\n', "strips[1].seams = list of 1: does not fit; it must rise from the lower edge"),
        (STRIP + 'seams = ["2 in", "1 in"]\n', "strips[1].seams = list of 2: does not fit; it must rise"),
        (STRIP + 'seams = "2 in"\n', 'strips[1].seams = "2 in": does not fit; it must be a row'),
        (STRIP + STRIP, 'strips[2].name = "s": taken already'),
        (UNIT, 'units[1].from = "s": no such strip; add it under [[strips]]'),
        (STRIP + UNIT.replace("45 deg", "95 deg"), "units[1]: u: an angle of 95 degrees"),
        (STRIP + UNIT.replace("= 2", "= 0"), "units[1].make = 0: does not fit; it must be a whole number"),
        (STRIP + UNIT.replace("= 2", "= true"), "units[1].make = True: does not fit; it must be a whole number"),
        (STRIP + UNIT.replace("= 2", "= 9999999999999"), "units[1].make = 9999999999999: does not fit; it must be"),
        (
            STRIP + UNIT.replace("= 2", "= 9"),
            'units[1].make = 9: more than the strips give, "s" gives 3 each',
        ),
        (STRIP + UNIT + 'lean = "up"\n', 'units[1].lean = "up": does not fit; it must be "left" or "right"'),
        (STRIP + UNIT + 'shape = "square(4 in)"\n', "does not go with a unit that is written as a shape"),
        ('[[units]]\nname = "u"\nshape = "halves(4)"\n', 'units[1]: halves(4): "4": a length needs its unit'),
        ('[[units]]\nname = "u"\nshape = 4\n', "units[1].shape = 4: does not fit; it must be text in quotes"),
        ('hand = "both"\n', 'hand = "both": does not fit; it must be "left" or "right"'),
        ("strips = 3\n", "strips = 3: does not fit; it must be tables"),
        (STRIP + UNIT + 'side_tolerances = ["1 mm"]\n', "units[1].side_tolerances: 1 of them for 4 sides; give each"),
        ("tolerance = ", "not TOML"),
        ("a = " + "[" * 4000, "nested too deep"),
        ("a = " + "{a=" * 1500, "nested too deep"),
        ("\n".join(".".join(["a"] * 1600) + f".b{k} = 1" for k in range(300)), "nested too deep"),
        ("a = " + "9" * 4990, "too long to be read"),
        ("a = " + "9" * 9000, "longer than 5000 letters"),
        ("#" * 2_000_000, "larger than 1 MB"),
        ("[[strips]]\n" * 70_000, "70000 of them are too many; at most 1000"),
        ("[[units]]\nshape = 'square(1 in)'\nname = " + '"\\u0000"', "must be one line"),
    ],
    ids=lambda text: ascii(text[:40]),
)
def test_a_mistake_is_told_in_one_line_with_its_key_and_value(text, line):
    with pytest.raises(PlanError) as error:
        read(text)
    said = str(error.value)
    assert said.startswith("plan.toml")
    assert line in said
    assert "\n" not in said
    assert len(said) < 300


@pytest.mark.parametrize(
    ("data", "why"),
    [(b"\xff\xfe", "UTF-8"), (b"#" * 1_100_000, "larger than 1 MB"), (None, "cannot be read")],
)
def test_a_file_that_is_no_plan_is_refused(tmp_path, data, why):
    path = tmp_path / "plan.toml"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(PlanError, match=why):
        load_plan(path)


def test_a_folder_is_no_plan(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(tmp_path)


def test_a_wanted_shape_is_a_shape_or_a_unit_of_a_plan():
    assert wanted_shape("square(2 1/2 in)").tolerance_mm is None
    wave = wanted_shape(f"{DEMO}:wave")
    assert wave.shape.corners_mm[1, 0] == pytest.approx(50.8 * math.sqrt(2))
    assert wave.tolerance_mm == 0.79375
    with pytest.raises(PlanError, match='no unit "ripple"; name one of wave, lamp'):
        wanted_shape(f"{DEMO}:ripple")
    with pytest.raises(ShapeError, match="no shape"):
        wanted_shape("ripple")


def test_a_unit_may_give_each_side_a_tolerance_of_its_own(tmp_path):
    file = tmp_path / "own.toml"
    rows = STRIP + UNIT + 'side_tolerances = ["1/32 in", "1/16 in", "1/32 in", "1 mm"]\n'
    file.write_text('name = "own"\n' + rows, encoding="utf-8")
    assert wanted_shape(f"{file}:u").side_tolerances_mm == (0.79375, 1.5875, 0.79375, 1.0)


mm = st.floats(1.0, 500.0)
names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=20).filter(
    lambda name: name.strip() and name.isprintable()
)
strips = st.builds(Strip, names, mm, st.just(90_000.0), st.just(()), st.tuples(names, names), mm, st.integers(1, 9))


@given(names, strips, mm, st.integers(15, 90), st.sampled_from(["left", "right"]), st.none() | mm)
def test_a_plan_is_written_and_read_back_the_same(name, strip, cut_mm, degrees, lean, tolerance_mm):
    plan = Plan(
        name,
        (strip,),
        (
            Unit("cut", Cut(strip.name, 1, cut_mm, math.radians(degrees), lean), None, tolerance_mm),
            Unit("only checked", None, "halves(4 1/2 in)", None, math.radians(1), (1.0, 0.5, 2.0, 1.0)),
        ),
    )
    assert plan_from_text(plan_text(plan), "plan.toml") == plan


@pytest.mark.parametrize(
    ("width_in", "length_in", "cut_in", "degrees", "gives"),
    [
        (3.5, 44.0, 3.5, 90, 12),  # common practice, no source: twelve 3 1/2 in squares from 44 in
        (3.5, 40.0, 3.5, 90, 11),  # the same from 40 in of usable width
        (5.0, 40.0, 5.0, 90, 7),  # eight without truing an end; an eighth of an inch lost makes it seven
        (3.5, 26.0, 2.0, 45, 7),
        (3.5, 3.0, 2.0, 45, 0),
    ],
)
def test_units_from_a_strip(width_in, length_in, cut_in, degrees, gives):
    strip = Strip("s", width_in * 25.4, length_in * 25.4)
    assert units_from_strip(strip, Cut("s", 1, cut_in * 25.4, math.radians(degrees))) == gives


@given(st.floats(20, 150), st.floats(100, 1500), st.floats(20, 150), st.floats(20, 90))
def test_the_promised_units_lie_on_the_strip_and_one_more_would_not(width_mm, length_mm, cut_mm, degrees):
    """Executed by shapely: units laid one beside the other from a trued end, right up to the raw one."""
    angle = math.radians(degrees)
    strip = Strip("s", width_mm, length_mm)
    gives = units_from_strip(strip, Cut("s", 1, cut_mm, angle))
    cloth = box(0, 0, length_mm, width_mm).buffer(1e-6)
    unit = Polygon(slant(width_mm, cut_mm, angle, "right").corners_mm)
    margin_mm, step_mm = strip.true_margin_mm / math.sin(angle), cut_mm / math.sin(angle)
    laid = [translate(unit, margin_mm + n * step_mm, 0) for n in range(gives + 1)]
    assert all(cloth.contains(placed) for placed in laid[:-1])
    assert not cloth.contains(laid[-1])
