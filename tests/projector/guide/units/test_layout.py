"""Where the next cut goes: by hand, by shapely, and by laws that hold however the strip lies."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Polygon
from shapely.affinity import rotate, translate

from projector.guide.units.layout import (
    FoundStrip,
    NotTheStrip,
    find_strip,
    shrinks_by_mm,
    unit_line,
)
from projector.guide.units.truing import truing_line, truing_reason
from projector.piecing.plans import Cut, Strip
from projector.piecing.shapes import slant
from vision.units import MeasuredUnit, Seam, Width

SET = Strip("a set", 80.0, 600.0, (40.0,))
PLAIN = Strip("a strip", 80.0, 600.0)
SLANT = Cut("a set", 5, 50.0, math.radians(45), "right")
STRAIGHT = Cut("a set", 5, 50.0)


def cloth(corners, seams=(), trouble=None):
    """A piece measured without error, as the eye would hand it over."""
    corners = np.asarray(corners, float)
    n = len(corners)
    runs = np.roll(corners, -1, axis=0) - corners
    widths = []
    for i in range(n):
        for j in range(i + 1, n):
            sine = (runs[i][0] * runs[j][1] - runs[i][1] * runs[j][0]) / np.hypot(*runs[i]) / np.hypot(*runs[j])
            if abs(sine) < math.sin(math.radians(5)) and runs[i] @ runs[j] < 0:
                middles = corners + runs / 2
                off = [
                    abs(runs[a][0] * (middles[b] - corners[a])[1] - runs[a][1] * (middles[b] - corners[a])[0])
                    / np.hypot(*runs[a])
                    for a, b in ((i, j), (j, i))
                ]
                widths.append(Width((i, j), float(np.mean(off)), min(off), max(off), 0.05))
    zeros = np.zeros(n)
    found = tuple(Seam(np.asarray(ends, float), 0.05) for ends in seams)
    return MeasuredUnit(corners, zeros, zeros, zeros, zeros, tuple(widths), found, trouble)


def strip_at(turn_deg=0.0, left=0.0, right=600.0, width=80.0, seam_tilt_deg=0.0, start=0):
    """A strip set with square ends, `turn_deg` about its lower left corner at (100, 200)."""
    outline = Polygon([(left, 0), (right, 0), (right, width), (left, width)])
    rise = math.tan(math.radians(seam_tilt_deg)) * (right - left)
    seam = LineString([(left, width / 2), (right, width / 2 + rise)])
    laid = [translate(rotate(shape, turn_deg, origin=(0, 0)), 100, 200) for shape in (outline, seam)]
    corners = np.roll(np.array(laid[0].exterior.coords[:-1]), start, axis=0)
    return cloth(corners, [laid[1].coords])


def found_at(*args, strip=SET, hand="right", **kwargs):
    found = find_strip([strip_at(*args, **kwargs)], strip, hand)
    assert isinstance(found, FoundStrip)
    return found


@pytest.mark.parametrize("right", [76.5, 79.0, 83.5])
@pytest.mark.parametrize("turn_deg", [0.0, 20.0])
def test_a_rest_as_long_as_wide_is_still_the_strip_as_its_seam_runs(right, turn_deg):
    along = [math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))]
    assert found_at(turn_deg, right=right).along == pytest.approx(along)


def test_a_rest_without_a_seam_is_the_strip_as_it_lay_before():
    rest = cloth(strip_at(right=79.0).corners_mat_mm)
    across, along = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    for before in (along, across):
        found = find_strip([rest], PLAIN, "right", before)
        assert isinstance(found, FoundStrip)
        assert found.along == pytest.approx(before)


def test_a_strip_is_named_as_it_lies():
    found = found_at()
    assert found.lower_mat_mm.tolist() == [[100, 200], [700, 200]]
    assert found.upper_mat_mm.tolist() == [[100, 280], [700, 280]]
    assert found.end_mat_mm.tolist() == [[700, 200], [700, 280]]
    assert found.far_end_mat_mm.tolist() == [[100, 200], [100, 280]]
    assert found.along.tolist() == [1, 0]
    assert (found.width_mm, found.length_mm) == (80, 600)


@pytest.mark.parametrize("start", range(4))
def test_the_numbering_of_the_corners_does_not_matter(start):
    assert found_at(start=start).end_mat_mm.tolist() == [[700, 200], [700, 280]]


def test_a_left_hand_works_on_the_left_end():
    found = found_at(hand="left")
    assert found.end_mat_mm.tolist() == [[100, 200], [100, 280]]
    line = unit_line(found, STRAIGHT)
    assert line.cloth_mat_mm == pytest.approx(np.array([[150, 200], [150, 280]]))
    assert line.keep == "left"


def test_a_stepped_raw_end_keeps_all_its_corners():
    corners = [(100, 200), (700, 200), (700, 240), (660, 240), (660, 280), (100, 280)]
    found = find_strip([cloth(corners)], PLAIN, "right")
    assert isinstance(found, FoundStrip)
    assert found.end_mat_mm.tolist() == [[700, 200], [700, 240], [660, 240], [660, 280]]
    line = truing_line(found, STRAIGHT, 3.0, "raw")
    assert line.cloth_mat_mm == pytest.approx(np.array([[657, 200], [657, 280]]))


@pytest.mark.parametrize(
    ("cloths", "why"),
    [
        ([], "no strip is seen, a set should be 3 5/32 in wide"),
        ([cloth([(0, 0), (500, 0), (500, 63.5), (0, 63.5)])], "this is 2 1/2 in wide"),
        ([cloth([(0, 0), (500, 0), (500, 80), (0, 80)], trouble="blurred")], "no strip is seen"),
        ([cloth([(0, 0), (90, 0), (0, 90)])], "no strip is seen"),
    ],
)
def test_what_is_not_the_strip_is_told(cloths, why):
    found = find_strip(cloths, SET, "right")
    assert isinstance(found, NotTheStrip)
    assert why in found.why


def test_a_strip_that_hangs_over_the_edge_is_still_a_strip():
    hanging = cloth([(0, 0), (500, 0), (500, 80), (0, 80)], trouble="cut_off")
    found = find_strip([hanging], SET, "right")
    assert isinstance(found, FoundStrip)
    assert found.cut_off


def test_the_longest_cloth_of_the_width_is_the_strip():
    short = cloth([(0, 0), (70, 0), (70, 80), (0, 80)])
    found = find_strip([short, strip_at()], SET, "right")
    assert isinstance(found, FoundStrip)
    assert found.length_mm == 600


def test_a_unit_line_at_a_right_angle_by_hand():
    line = unit_line(found_at(), STRAIGHT)
    assert line.cloth_mat_mm == pytest.approx(np.array([[650, 200], [650, 280]]))
    assert line.shown_mat_mm == pytest.approx(np.array([[650, 175], [650, 305]]))
    assert (line.purpose, line.keep, line.units_left) == ("unit", "right", 12)


@pytest.mark.parametrize(("lean", "lower", "upper"), [("right", 617, 697), ("left", 697, 617)])
def test_a_truing_line_at_45_degrees_by_hand(lean, lower, upper):
    """Through the innermost corner of a square end, three further in along the strip (3 / sin 45 across)."""
    cut = Cut("a set", 5, 50.0, math.radians(45), lean)
    line = truing_line(found_at(), cut, 3.0 * math.sin(math.radians(45)), "raw")
    assert line.cloth_mat_mm == pytest.approx(np.array([[lower, 200], [upper, 280]]))
    assert (line.purpose, line.keep) == ("true_up", "left")
    # 697 or 617 to 100 along the strip, less 80 for the far end's slant, at 70.71 a unit.
    assert line.units_left == math.floor((617 - 100) / (50 * math.sqrt(2)))
    assert shrinks_by_mm(found_at(), line) == pytest.approx(43.0)


turns = st.floats(-80.0, 80.0)
angles = st.floats(30.0, 90.0)
leans = st.sampled_from(["left", "right"])
hands = st.sampled_from(["left", "right"])


@given(turns, angles, leans, hands)
def test_what_falls_off_is_the_unit_of_the_plan(turn_deg, angle_deg, lean, hand):
    """Two parallel lines, the first as the trued end, cut the expected parallelogram out of the strip."""
    cut = Cut("a strip", 5, 50.0, math.radians(angle_deg), lean)
    first = truing_line(found_at(turn_deg, strip=PLAIN, hand=hand), cut, 3.0, "raw")
    body = Polygon(strip_at(turn_deg).corners_mat_mm)
    body = max(halves(body, first.cloth_mat_mm), key=lambda half: half.area)
    trued = find_strip([cloth(ccw(body))], PLAIN, hand)
    assert isinstance(trued, FoundStrip)
    assert truing_reason(trued, cut, raw=False, tolerance_mm=0.1) is None
    line = unit_line(trued, cut)
    left, right = halves(body, line.cloth_mat_mm)
    unit = left if line.keep == "left" else right
    expected = Polygon(slant(80.0, 50.0, cut.angle_rad, lean).corners_mm)
    aligned = rotate(expected, turn_deg, origin=(0, 0))
    aligned = translate(aligned, *(np.array(unit.centroid.coords[0]) - np.array(aligned.centroid.coords[0])))
    # On a grid: GEOS may call two outlines that differ by 1e-14 mm two wholly different ones.
    assert shapely.symmetric_difference(aligned, unit, grid_size=1e-6).area < 1e-6 * unit.area


@given(turns, angles, leans)
def test_half_a_turn_of_the_strip_gives_the_same_unit(turn_deg, angle_deg, lean):
    cut = Cut("a strip", 5, 50.0, math.radians(angle_deg), lean)
    one = unit_line(found_at(turn_deg, strip=PLAIN), cut)
    other = unit_line(found_at(turn_deg + 180.0, strip=PLAIN), cut)
    run = [line.cloth_mat_mm[1] - line.cloth_mat_mm[0] for line in (one, other)]
    assert run[0] == pytest.approx(run[1], abs=1e-9)


@given(st.floats(-1.5, 1.5))
def test_the_angle_is_laid_from_the_seam_that_was_found(tilt_deg):
    line = unit_line(found_at(seam_tilt_deg=tilt_deg), SLANT)
    run = line.cloth_mat_mm[1] - line.cloth_mat_mm[0]
    assert math.degrees(math.atan2(run[1], run[0])) == pytest.approx(45.0 + tilt_deg)
    plain = unit_line(found_at(seam_tilt_deg=tilt_deg, strip=PLAIN), SLANT)
    run = plain.cloth_mat_mm[1] - plain.cloth_mat_mm[0]
    assert math.degrees(math.atan2(run[1], run[0])) == pytest.approx(45.0)


@given(turns, angles, leans)
def test_a_unit_line_lies_the_cut_width_from_the_middle_of_the_end_and_passes_the_cloth(turn_deg, angle_deg, lean):
    cut = Cut("a set", 5, 50.0, math.radians(angle_deg), lean)
    found = found_at(turn_deg)
    line = unit_line(found, cut)
    middle = found.end_mat_mm.mean(axis=0)
    (x0, y0), (x1, y1) = line.shown_mat_mm
    away = abs((x1 - x0) * (middle[1] - y0) - (y1 - y0) * (middle[0] - x0)) / math.hypot(x1 - x0, y1 - y0)
    assert away == pytest.approx(50.0)
    for shown, cloth_end in zip(line.shown_mat_mm, line.cloth_mat_mm, strict=True):
        assert math.dist(shown, cloth_end) == pytest.approx(25.0)
        assert not Polygon(found.outline_mat_mm).contains(Polygon([shown] * 3).centroid)


def halves(shape, line):
    """The parts of a polygon left and right of a line (2, 2), seen along it."""
    start, end = line
    run = (end - start) / np.hypot(*(end - start)) * 3000
    side = np.array([-run[1], run[0]])
    return tuple(
        shape & Polygon([start - run, start + run, start + run + turn * side, start - run + turn * side])
        for turn in (1, -1)
    )


def ccw(shape):
    corners = np.array(shape.exterior.coords[:-1])
    return corners if shape.exterior.is_ccw else corners[::-1]
