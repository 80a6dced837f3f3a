"""Shapes of units: by hand, by shapely as a second way to the same outline, and by a handbook's table."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import rotate, scale, translate

from projector.piecing.shapes import GRAMMAR, ShapeError, parse_shape, polygon, slant

FIXTURES = Path(__file__).parents[3] / "fixtures"


def diamonds():
    with (FIXTURES / "tables" / "diamonds_45_60.csv").open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", diamonds(), ids=lambda row: f"{row['acute_angle_deg']}-{row['strip_width']}")
def test_diamonds_have_the_sizes_of_the_handbook(row):
    """fixtures/tables/diamonds_45_60.csv: six printed decimals."""
    shape = parse_shape(f"diamond({row['strip_width']} in, {row['acute_angle_deg']} deg)")
    corners_in = shape.corners_mm / 25.4
    sides = np.hypot(*(np.roll(corners_in, -1, axis=0) - corners_in).T)
    assert sides == pytest.approx([float(row["side"])] * 4, abs=6e-7)
    assert math.dist(corners_in[0], corners_in[2]) == pytest.approx(float(row["long_diagonal"]), abs=6e-7)
    assert math.dist(corners_in[1], corners_in[3]) == pytest.approx(float(row["short_diagonal"]), abs=6e-7)
    assert shape.area_mm2 / 25.4**2 == pytest.approx(float(row["area"]), abs=6e-7)


def test_a_diamond_is_a_slant_cut_as_wide_as_its_strip():
    """Trade rule, public pages for piecers: cut the segments as wide as the strip."""
    by_cuts = parse_shape("slant(2 1/2 in, 2 1/2 in, 45 deg, right)")
    assert by_cuts.corners_mm == pytest.approx(parse_shape("diamond(2 1/2 in, 45 deg)").corners_mm)


@pytest.mark.parametrize(("degrees", "side_in"), [(43, 3.6657), (44, 3.5989), (46, 3.4754), (47, 3.4183)])
def test_a_wrong_angle_changes_the_side_as_the_formula_says(degrees, side_in):
    """side = width / sin(angle), width 2.5 in (plane geometry, four decimals)."""
    x, _ = parse_shape(f"diamond(2.5 in, {degrees} deg)").corners_mm[1]
    assert x / 25.4 == pytest.approx(side_in, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "corners"),
    [
        ("square(40 mm)", [(0, 0), (40, 0), (40, 40), (0, 40)]),
        ("rectangle(30 mm, 70 mm)", [(0, 0), (70, 0), (70, 30), (0, 30)]),
        ("slant(30 mm, 50 mm, 90 deg, left)", [(0, 0), (50, 0), (50, 30), (0, 30)]),
        # At 45 degrees the ends shift by the strip's width; cuts 70.71 apart along the edge are 50 apart.
        (
            "slant(30 mm, 50 mm, 45 deg, right)",
            [(0, 0), (70.710678, 0), (100.710678, 30), (30, 30)],
        ),
        (
            "slant(30 mm, 50 mm, 45 deg, left)",
            [(0, 0), (70.710678, 0), (40.710678, 30), (-30, 30)],
        ),
        ("triangle(40 mm, 25 mm)", [(0, 0), (40, 0), (0, 25)]),
        ("point(60 mm, 90 deg)", [(0, 0), (60, 0), (30, 30)]),  # a right angle over its base
        ("halves(40 mm)", [(0, 0), (40, 0), (40, 40), (0, 40)]),
        (
            "POLYGON( 5 mm -5 mm,  1 in 0 mm ,10 mm 10 mm )",
            [(5, -5), (25.4, 0), (10, 10)],
        ),
    ],
)
def test_corners_by_hand(text, corners):
    shape = parse_shape(text)
    assert shape.corners_mm == pytest.approx(np.array(corners, float), abs=1e-6)
    assert len(shape.side_names) == len(corners)


def test_the_seam_of_a_slant_lies_at_its_distance_from_the_lower_edge():
    shape = parse_shape("slant(30 mm, 50 mm, 45 deg, right, 10 mm)")
    assert shape.seams_mm == pytest.approx(np.array([[[10, 10], [80.710678, 10]]]), abs=1e-6)
    left = parse_shape("slant(30 mm, 50 mm, 45 deg, left, 10 mm)")
    assert left.seams_mm == pytest.approx(np.array([[[-10, 10], [60.710678, 10]]]), abs=1e-6)


def test_the_seam_of_halves_runs_from_corner_0_to_corner_2():
    shape = parse_shape("halves(40 mm)")
    assert shape.seams_mm[0] == pytest.approx(shape.corners_mm[[0, 2]])


angles = st.floats(math.radians(5), math.pi / 2)
sizes = st.floats(5.0, 300.0)
leans = st.sampled_from(["left", "right"])


@given(sizes, sizes, angles, leans)
def test_a_slant_is_where_strip_and_cut_band_overlap(strip_mm, cut_mm, angle, lean):
    strip = box(-9000, 0, 9000, strip_mm)
    band = rotate(box(-9000, -cut_mm, 9000, 0), angle, origin=(0, 0), use_radians=True)
    overlap = strip & band
    if lean == "left":
        overlap = scale(overlap, -1, 1, origin=(0, 0))
    made = slant(strip_mm, cut_mm, angle, lean)
    corner_0 = made.corners_mm - made.corners_mm[0]
    low = min(x for x, y in overlap.exterior.coords if y < 1e-9)
    moved = translate(Polygon(corner_0), low, 0.0)
    assert moved.symmetric_difference(overlap).area < 1e-6
    assert made.area_mm2 == pytest.approx(strip_mm * cut_mm / math.sin(angle), rel=1e-12)


@given(sizes, sizes, angles)
def test_left_is_the_mirror_image_of_right(strip_mm, cut_mm, angle):
    right = Polygon(slant(strip_mm, cut_mm, angle, "right").corners_mm)
    left = slant(strip_mm, cut_mm, angle, "left").corners_mm
    mirrored = scale(right, -1, 1, origin=(0, 0))
    moved = Polygon(left - [left[1, 0], 0.0])
    assert moved.symmetric_difference(mirrored).area < 1e-6


@pytest.mark.parametrize(
    "text",
    [
        "square(40 mm)",
        "rectangle(30 mm, 70 mm)",
        "slant(30 mm, 50 mm, 30 deg, left, 10 mm)",
        "diamond(30 mm, 120 deg)",
        "triangle(40 mm, 25 mm)",
        "point(20 mm, 22.5 deg)",
        "halves(40 mm)",
        "polygon(0 mm 0 mm, 9 mm 0 mm, 4 mm 4 mm, 0 mm 9 mm)",
    ],
)
def test_every_shape_is_valid_counter_clockwise_and_holds_its_seams(text):
    shape = parse_shape(text)
    outline = Polygon(shape.corners_mm)
    assert outline.is_valid
    assert outline.exterior.is_ccw
    assert outline.area == pytest.approx(shape.area_mm2)
    for ends in shape.seams_mm:
        assert all(outline.boundary.distance(Polygon([end, end, end]).centroid) < 1e-9 for end in ends)


def test_a_tip_angle_is_the_angle_at_corner_2():
    base, right, tip = parse_shape("point(2 in, 22.5 deg)").corners_mm
    cosine = np.dot(base - tip, right - tip) / math.dist(base, tip) / math.dist(right, tip)
    assert math.degrees(math.acos(cosine)) == pytest.approx(22.5)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("square(0 in)", "no length"),
        ("square(4)", "needs its unit"),
        ("square()", "parts"),
        ("square(4 in, 4 in)", "parts"),
        ("square 4 in", "no shape"),
        ("blob(4 in)", "no shape"),
        ("slant(3 in, 2 in, 45 deg)", "parts"),
        ("slant(3 in, 2 in, 45 deg, up)", "neither left nor right"),
        ("slant(3 in, 2 in, 135 deg, left)", "between 1 and 90"),
        ("slant(3 in, 2 in, 0 deg, left)", "between 1 and 90"),
        ("slant(0 in, 2 in, 45 deg, left)", "a size is 0"),
        ("slant(3 in, 2 in, 45 deg, left, 3 in)", "a seam at 76.2 mm is outside"),
        ("diamond(3 in, 180 deg)", "between 1 and 179"),
        ("point(3 in, 3 in)", "no unit of angle"),
        ("triangle(3 in, nan in)", "not a number with a unit"),
        ("rectangle(1e308 mm, 3 in)", "not a number with a unit"),
        ("slant(99 m, 99 m, 1 deg, left)", "larger than 100 m"),
        ("polygon(0 mm 0 mm, 9 mm 9 mm, 9 mm 0 mm, 0 mm 9 mm)", "sides cross"),
        ("polygon(0 mm 0 mm, 0 mm 9 mm, 9 mm 0 mm)", "clockwise"),
        ("polygon(0 mm 0 mm, 9 mm 0 mm)", "parts"),
        ("polygon(0 mm 0 mm, 9 mm 0 mm, 9 mm 0 mm, 0 mm 9 mm)", "side 1 has no length"),
        ("polygon(0 mm 0 mm, 9 mm, 0 mm 9 mm)", "two lengths"),
        ("polygon(" + "1 mm 1 mm, " * 500 + "0 mm 0 mm)", "parts"),
        ("polygon(" + "1 mm 1 mm, " * 100_000 + "0 mm 0 mm)", "too long"),
    ],
    ids=lambda text: ascii(text[:40]),
)
def test_a_wrong_shape_is_told_in_one_line(text, why):
    with pytest.raises(ShapeError, match=why) as error:
        parse_shape(text)
    said = str(error.value)
    assert "\n" not in said
    assert len(said) < 400
    if text.partition("(")[0] in GRAMMAR and "unit" not in why and "long" not in why:
        assert GRAMMAR[text.partition("(")[0]] in said


@given(st.lists(st.tuples(st.integers(-99, 99), st.integers(-99, 99)), min_size=3, max_size=8))
def test_any_corners_give_their_own_polygon_or_a_refusal(corners):
    try:
        shape = polygon([(float(x), float(y)) for x, y in corners])
    except ShapeError:
        outline = Polygon(corners)
        assume(outline.is_valid and outline.area > 0)
        assert not outline.exterior.is_ccw or outline.length == 0 or _repeats(corners)
    else:
        assert shape.corners_mm.tolist() == [list(corner) for corner in corners]


def _repeats(corners):
    return any(a == b for a, b in zip(corners, corners[1:] + corners[:1], strict=True))
