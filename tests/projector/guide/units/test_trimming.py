"""Trim lines by hand: which side is cut, how much is left, which way it runs."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from projector.guide.turning import lean_of, must_turn, turn_reason
from projector.guide.units.trimming import trim_line
from projector.piecing.shapes import slant
from tests.projector.guide.units.test_layout import cloth
from vision.comparing.expected import ExpectedShape

SQUARE = ExpectedShape("a block", np.array([[0, 0], [50, 0], [50, 80], [0, 80]], float))
KITE = ExpectedShape("a kite", slant(80.0, 50.0, math.radians(45), "right").corners_mm)


def unit(corners, turn_deg=0.0):
    """An outline laid somewhere on the mat."""
    turn = math.radians(turn_deg)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return cloth(np.asarray(corners, float) @ matrix.T + [300, 200])


@pytest.mark.parametrize(
    ("corners", "hand", "line"),
    [
        # 52 wide, 50 wanted: a right hand cuts along the right side, the unit and the ruler on the left.
        ([(0, 0), (52, 0), (52, 80), (0, 80)], "right", [(350, 200), (350, 280)]),
        # A left hand along the left side, the unit on the right.
        ([(0, 0), (52, 0), (52, 80), (0, 80)], "left", [(302, 200), (302, 280)]),
        # Only the left side is off its angle: it is the one that is cut, from its far end toward the person.
        ([(-1.5, 0), (50, 0), (50, 80), (0, 80)], "right", [(300, 280), (300, 200)]),
        # Too deep: either way it runs across the body.
        ([(0, 0), (50, 0), (50, 83), (0, 83)], "right", [(300, 203), (350, 203)]),
    ],
)
def test_lines_by_hand(corners, hand, line):
    found = trim_line(unit(corners), SQUARE, hand)
    kept = "left" if hand == "right" else "right"
    assert (found.purpose, found.keep, found.ruler) == ("trim", kept, kept)
    assert found.cloth_mat_mm == pytest.approx(np.array(line, float), abs=0.02)
    reach = np.hypot(*(found.shown_mat_mm - found.cloth_mat_mm).T)
    assert reach == pytest.approx([25.0, 25.0])


@given(st.floats(-180, 180), st.sampled_from(["right", "left"]), st.floats(1.0, 3.0))
def test_what_is_left_is_the_expected_shape_however_it_lies(turn_deg, hand, over_mm):
    """A parallelogram whose second cut was made too far out, parallel."""
    corners = KITE.corners_mm + np.array([[0, 0], [1, 0], [1, 0], [0, 0]]) * over_mm / math.sin(math.radians(45))
    found = trim_line(unit(corners, turn_deg), KITE, hand)
    start, end = found.cloth_mat_mm
    normal = np.array([-(end - start)[1], (end - start)[0]]) / math.dist(start, end)
    depth = (unit(corners, turn_deg).corners_mat_mm - start) @ normal * (1.0 if found.keep == "left" else -1.0)
    assert depth.max() == pytest.approx(50.0, abs=0.02)  # the unit is as wide as planned
    assert depth.min() == pytest.approx(-over_mm, abs=0.02)


def test_two_sides_are_cut_one_after_the_other_the_worst_first():
    found = trim_line(unit([(0, 0), (52, 0), (52, 83), (0, 83)]), SQUARE, "right")
    assert abs(found.cloth_mat_mm[0] - found.cloth_mat_mm[1])[0] == pytest.approx(52.0, abs=2.1)  # along its 52 mm


def test_a_line_is_shifted_into_the_unit_for_the_blade():
    wide = unit([(0, 0), (52, 0), (52, 80), (0, 80)])
    assert trim_line(wide, SQUARE, "right", 0.3).cloth_mat_mm[:, 0] == pytest.approx([349.7, 349.7], abs=0.02)


@pytest.mark.parametrize(
    "corners",
    [
        [(0, 0), (50, 0), (50, 50), (0, 50)],  # another shape
        [(0, 0), (48, 0), (48, 80), (0, 80)],  # too small: no cut helps
        [(0, 0), (50, 0), (25, 80)],
    ],
)
def test_what_cannot_be_trimmed(corners):
    assert trim_line(unit(corners), SQUARE, "right") is None


@pytest.mark.parametrize(
    ("run", "lean_deg", "reason"),
    [
        ((0, 1), 0, None),
        ((1, 1), 45, None),
        ((-1, 1), -45, None),
        ((1.2, 1), 50.19, None),
        ((1, 0), 90, "turn the strip; about 90 deg counter-clockwise; the cut would run across your body"),
        ((-1, 0.1), -84.29, "turn the strip; about 90 deg clockwise; the cut would run across your body"),
        ((0, -1), 180, "turn the strip; about 180 deg counter-clockwise; the cut would run toward you"),
        ((1, -1), 135, "turn the strip; about 135 deg counter-clockwise; the cut would run toward you"),
    ],
)
def test_which_way_a_cut_runs(run, lean_deg, reason):
    line = trim_line(unit([(0, 0), (52, 0), (52, 80), (0, 80)]), SQUARE, "right")
    shown = np.array([(100, 100), (100 + run[0], 100 + run[1])], float)
    object.__setattr__(line, "shown_mat_mm", shown)
    assert math.degrees(lean_of(shown)) == pytest.approx(lean_deg, abs=0.01)
    assert must_turn(line) is (reason is not None)
    assert turn_reason(line, "strip") == reason
