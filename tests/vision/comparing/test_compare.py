"""The verdict on a unit: the rigid fit by hand, the order of verdicts, guard bands and probabilities as published."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.comparing.compare import GUARD, best_fit, judge
from vision.comparing.expected import ExpectedShape, Tolerance
from vision.polygons import outward_normals, side_distances
from vision.units import Blemish, Curved, MeasuredUnit, Seam, Verdict, Width

SQUARE = ExpectedShape("square", np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 60.0], [0.0, 60.0]]))
OBLONG = ExpectedShape("oblong", np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 55.0], [0.0, 55.0]]))
RIGHT_SLANT = ExpectedShape("slant", np.array([[0.0, 0.0], [58.0, 0.0], [118.0, 60.0], [60.0, 60.0]]))
TRIANGLE = ExpectedShape("triangle", np.array([[0.0, 0.0], [80.0, 0.0], [0.0, 50.0]]))
U_MM, U_RAD = 0.05, math.radians(0.05)
TOLERANCE_MM = Tolerance().width_mm  # 1/32 in


def laid(corners, turn_deg=0.0, shift=(0.0, 0.0)):
    """A rigid motion."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.asarray(corners) @ np.array([[c, s], [-s, c]]) + shift


def measured(corners, u_mm=U_MM, u_rad=U_RAD, **more) -> MeasuredUnit:
    """A unit with these corners (counter-clockwise), every uncertainty the same."""
    n = len(corners)
    ahead = np.roll(corners, -1, axis=0) - corners
    directions = np.arctan2(ahead[:, 1], ahead[:, 0])
    parallel = [
        (i, j) for i in range(n) for j in range(i + 1, n) if abs(math.sin(directions[i] - directions[j])) < 0.087
    ]
    widths = tuple(Width(pair, *side_distances(corners, *pair), u_mm) for pair in parallel)
    of_sides, of_tilts = np.full(n, u_mm), np.full(n, u_rad)
    return MeasuredUnit(corners, of_sides, of_sides, of_tilts, np.zeros(n), widths, **more)


def with_side_moved(corners, side, outward_mm):
    """Side `side` of a shape moved outward, its neighbours as they were (right angles only)."""
    moved = np.array(corners, float)
    moved[[side, (side + 1) % len(moved)]] += outward_normals(moved)[side] * outward_mm
    return moved


def test_offsets_of_one_side_moved():
    # By hand: a side 0.3 outward; the rigid fit shifts by half of it, so that side and its opposite have 0.15 each.
    corners = laid(with_side_moved(OBLONG.corners_mm, 2, 0.3), 33.0, (200.0, 90.0))
    judged = judge(measured(corners), [OBLONG])
    assert judged.offsets_mm == pytest.approx([0.15, 0.0, 0.15, 0.0], abs=1e-4)
    assert judged.verdict is Verdict.FITS


@settings(deadline=None)
@given(st.floats(-1.5, 1.5), st.floats(-1.0, 1.0), st.integers(0, 3))
def test_a_fitted_shape_lies_as_the_unit_does(deg, outward_mm, side):
    # The midpoints of a rectangle's sides alone would let it turn by several degrees.
    corners = turned_side(with_side_moved(OBLONG.corners_mm, side, outward_mm), side, deg)
    fit = best_fit(measured(corners), OBLONG)
    assert fit is not None
    along = fit.corners_mat_mm[1] - fit.corners_mat_mm[0]
    assert abs(math.degrees(math.atan(along[1] / along[0]))) <= abs(deg) + 0.2  # half a turn is the same oblong


def test_offsets_of_a_grown_shape():
    corners = laid(
        OBLONG.corners_mm + np.array([[-0.2, -0.2], [0.2, -0.2], [0.2, 0.2], [-0.2, 0.2]]), -71.0, (5.0, 900.0)
    )
    assert judge(measured(corners), [OBLONG]).offsets_mm == pytest.approx([0.2] * 4, abs=1e-9)


@settings(deadline=None)
@given(st.floats(-180, 180), st.integers(0, 3), st.sampled_from([SQUARE, OBLONG, RIGHT_SLANT]))
def test_a_true_unit_fits_however_it_lies(turn_deg, roll, shape):
    corners = np.roll(laid(shape.corners_mm, turn_deg, (310.0, 140.0)), roll, axis=0)
    judged = judge(measured(corners), [shape])
    assert judged.verdict is Verdict.FITS
    assert judged.offsets_mm == pytest.approx(np.zeros(4), abs=1e-6)
    # the corners are numbered as the shape's: the angle at each is the shape's own
    own = measured(shape.corners_mm)
    assert judged.unit.angles_rad == pytest.approx(own.angles_rad)
    assert {w.sides: w.mean_mm for w in judged.unit.widths} == pytest.approx({w.sides: w.mean_mm for w in own.widths})


@settings(deadline=None)
@given(st.floats(-180, 180))
def test_a_slant_cut_the_other_way_is_turned_over(turn_deg):
    mirrored = (RIGHT_SLANT.corners_mm * [-1.0, 1.0])[::-1]
    judged = judge(measured(laid(mirrored, turn_deg)), [RIGHT_SLANT])
    assert judged.verdict is Verdict.TURNED_OVER
    assert judged.fit_probability is None


@settings(deadline=None)
@given(st.lists(st.floats(-2.0, 2.0), min_size=8, max_size=8), st.floats(-180, 180))
def test_a_square_is_never_turned_over(off, turn_deg):
    corners = laid(SQUARE.corners_mm + np.reshape(off, (4, 2)), turn_deg)
    assert judge(measured(corners), [SQUARE]).verdict is not Verdict.TURNED_OVER


def test_the_seam_tells_which_way_a_square_lies():
    halves = ExpectedShape("halves", SQUARE.corners_mm, np.array([[[0.0, 0.0], [60.0, 60.0]]]))
    seam = Seam(np.array([[60.0, 0.0], [0.0, 60.0]]), 0.05)
    judged = judge(measured(np.array(SQUARE.corners_mm), seams=(seam,)), [halves])
    ends = {tuple(end) for end in judged.unit.corners_mat_mm[[0, 2]].tolist()}
    assert ends == {(60.0, 0.0), (0.0, 60.0)}


def test_each_unit_takes_its_best_match():
    shapes = [SQUARE, OBLONG, RIGHT_SLANT, TRIANGLE]
    for shape in shapes:
        assert judge(measured(laid(shape.corners_mm, 12.0)), shapes).expected == shape.name


def test_without_an_expected_shape_there_is_no_verdict():
    judged = judge(measured(SQUARE.corners_mm), [])
    assert (judged.verdict, judged.fit_probability, judged.offsets_mm, judged.expected) == (None, None, None, None)


WIDE, NARROW = 1.5, -1.5  # far outside the tolerance and its guard band
SLANT_MIRRORED = (RIGHT_SLANT.corners_mm * [-1.0, 1.0])[::-1]


def turned_side(corners, side, deg):
    """One side turned about its middle; the other sides' lines stay (corner order kept)."""
    n = len(corners)
    a, b = corners[side], corners[(side + 1) % n]
    middle, c, s = (a + b) / 2, math.cos(math.radians(deg)), math.sin(math.radians(deg))
    along = (b - a) @ np.array([[c, s], [-s, c]])
    result = np.array(corners, float)
    for corner, neighbour in ((side, (side - 1) % n), ((side + 1) % n, (side + 2) % n)):
        away = corners[neighbour] - corners[corner]
        t = np.linalg.solve(np.column_stack([along, -away]), corners[corner] - middle)
        result[corner] = middle + t[0] * along
    return result


@pytest.mark.parametrize(
    ("unit", "shape", "verdict"),
    [
        # what is at fault in the picture goes before everything
        (measured(SLANT_MIRRORED, trouble="cut_off"), RIGHT_SLANT, Verdict.LOOK_AGAIN),
        (measured(SQUARE.corners_mm, trouble="no_straight_sides"), SQUARE, Verdict.LOOK_AGAIN),
        # another shape: another number of sides, or a corner far off
        (measured(SQUARE.corners_mm), TRIANGLE, Verdict.OTHER),
        (measured(SQUARE.corners_mm * 1.3), SQUARE, Verdict.OTHER),
        # turned over goes before its sizes
        (measured(SLANT_MIRRORED * 0.97), RIGHT_SLANT, Verdict.TURNED_OVER),
        (measured(RIGHT_SLANT.corners_mm * 0.97), RIGHT_SLANT, Verdict.SHORT),
        # short goes before trim: what is missing no blade brings back
        (measured(with_side_moved(with_side_moved(OBLONG.corners_mm, 0, NARROW), 1, WIDE)), OBLONG, Verdict.SHORT),
        (measured(with_side_moved(OBLONG.corners_mm, 1, WIDE)), OBLONG, Verdict.TRIM),
        # a wrong angle: trim where the shape is still in it, else short
        (measured(turned_side(with_side_moved(OBLONG.corners_mm, 1, 0.7), 1, 0.8)), OBLONG, Verdict.TRIM),
        # trim goes before close, close before fits
        (measured(with_side_moved(with_side_moved(OBLONG.corners_mm, 1, WIDE), 0, 0.79)), OBLONG, Verdict.TRIM),
        (measured(with_side_moved(OBLONG.corners_mm, 1, 0.79)), OBLONG, Verdict.CLOSE),
        (measured(OBLONG.corners_mm), OBLONG, Verdict.FITS),
    ],
)
def test_order_of_verdicts(unit, shape, verdict):
    assert judge(unit, [shape]).verdict is verdict


def test_an_end_off_its_angle_past_the_tolerance_is_short():
    # A long side turned by 0.7 degree eats 0.6 mm more than its tolerance from the shape at one end.
    long = ExpectedShape("long", np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 240.0], [0.0, 240.0]]))
    judged = judge(measured(turned_side(long.corners_mm, 1, 1.2)), [long])
    assert judged.verdict is Verdict.SHORT
    assert "deg" in judged.why


def test_a_corner_between_sides_of_one_name_is_said_as_one_says_it():
    square = replace(SQUARE, side_names=("edge",) * 4)
    why = judge(measured(turned_side(square.corners_mm, 1, 1.2)), [square]).why
    assert why.startswith("corner of two edges 1.2 deg")


@pytest.mark.parametrize(
    ("in_guard_bands", "verdict"),
    [
        (-1.01, Verdict.FITS),  # inside the limit by a little more than the guard band
        (-0.99, Verdict.CLOSE),
        (0.0, Verdict.CLOSE),
        (0.99, Verdict.CLOSE),
        (1.01, "beyond"),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_guard_bands(in_guard_bands, verdict, sign):
    # ISO 14253-1:2017: conformity and non-conformity are each proven with 95 % on one side, 1.645 u from the limit
    assert pytest.approx(1.6449, abs=2e-4) == GUARD
    off = sign * (TOLERANCE_MM + in_guard_bands * 1.6449 * U_MM)
    beyond = Verdict.TRIM if sign > 0 else Verdict.SHORT
    judged = judge(measured(with_side_moved(OBLONG.corners_mm, 1, off)), [OBLONG])
    assert judged.verdict is (beyond if verdict == "beyond" else verdict)


def test_at_the_acceptance_limit_one_in_twenty_is_bad():
    # ILAC-G8:09/2019 and ISO 14253-1:2017: 5 % for a guard band of 1.645 u
    off = TOLERANCE_MM - GUARD * U_MM
    judged = judge(measured(with_side_moved(OBLONG.corners_mm, 1, off), u_rad=1e-9), [OBLONG])
    assert judged.fit_probability == pytest.approx(0.95, abs=1e-3)


def with_one_width(mean_mm: float, u_mm: float) -> MeasuredUnit:
    """An oblong 90 wide in truth, everything sure but this width."""
    sure = measured(with_side_moved(OBLONG.corners_mm, 1, mean_mm - 90.0), 1e-6, 1e-9)
    widths = tuple(
        Width(w.sides, w.mean_mm, w.least_mm, w.greatest_mm, u_mm if w.sides == (1, 3) else 1e-6) for w in sure.widths
    )
    corners = sure.corners_mat_mm
    return MeasuredUnit(
        corners, sure.corners_u_mm, sure.offsets_u_mm, sure.tilts_u_rad, np.zeros(4), widths, trouble=sure.trouble
    )


def test_probability_of_conformity_between_two_limits():
    # JCGM 106:2012, 7.4: y = 13.6, u = 1.8, limits 12.5 and 16.3: 0.66. Moved so that the middle 14.4 is 90.
    shape = ExpectedShape("oblong", OBLONG.corners_mm, tolerance=Tolerance(width_mm=1.9))
    assert judge(with_one_width(90.0 + 13.6 - 14.4, 1.8), [shape]).fit_probability == pytest.approx(0.66263, abs=1e-5)


def test_probability_of_conformity_with_one_limit():
    # JCGM 106:2012, breakdown voltage of a diode: y = -5.47 V, u = 0.05 V, upper limit -5.40 V: 0.92. In mm, the
    # lower limit 10 mm away.
    shape = ExpectedShape("oblong", OBLONG.corners_mm, tolerance=Tolerance(width_mm=5.0))
    assert judge(with_one_width(95.0 - 0.07, 0.05), [shape]).fit_probability == pytest.approx(0.91924, abs=1e-5)


def test_a_tolerance_is_the_shapes_own():
    wide = ExpectedShape("oblong", OBLONG.corners_mm, tolerance=Tolerance(width_mm=2.0))
    unit = measured(with_side_moved(OBLONG.corners_mm, 1, 1.2))
    assert [judge(unit, [shape]).verdict for shape in (OBLONG, wide)] == [Verdict.TRIM, Verdict.FITS]


def test_a_fit_needs_as_many_sides():
    assert best_fit(measured(SQUARE.corners_mm), TRIANGLE) is None


HALVES = ExpectedShape("halves", SQUARE.corners_mm, np.array([[[0.0, 0.0], [60.0, 60.0]]]))
LEFT = np.array([-1.0, 1.0]) / math.sqrt(2.0)


def with_seam(left_mm=0.0, turn_deg=0.0, corners=SQUARE.corners_mm):
    middle = HALVES.seams_mm[0].mean(axis=0)
    ends = laid(HALVES.seams_mm[0] - middle, turn_deg, middle + LEFT * left_mm)
    return measured(corners, seams=(Seam(ends, 0.05),))


@pytest.mark.parametrize(
    ("unit", "verdict"),
    [
        (with_seam(), Verdict.FITS),
        (with_seam(0.4), Verdict.FITS),
        (with_seam(0.75), Verdict.CLOSE),
        (with_seam(-0.75), Verdict.CLOSE),
        (with_seam(2.5), Verdict.SHORT),  # the shape laid on that seam sticks out
        (with_seam(turn_deg=4.0), Verdict.SHORT),
        (with_seam(1.5, corners=np.array([[-2.0, 0.0], [60.0, 0.0], [60.0, 62.0], [-2.0, 62.0]])), Verdict.TRIM),
        (measured(SQUARE.corners_mm), Verdict.CLOSE),  # no seam: nothing is known of it
        (measured(with_side_moved(SQUARE.corners_mm, 1, -1.5)), Verdict.SHORT),  # what is proven stays so
        (measured(SQUARE.corners_mm, trouble="touching"), Verdict.LOOK_AGAIN),
    ],
)
def test_a_seam_counts_like_a_side(unit, verdict):
    judged = judge(unit, [HALVES])
    assert judged.verdict is verdict, judged.why
    assert "seam" in judged.why or verdict in (Verdict.FITS, Verdict.TRIM, Verdict.SHORT, Verdict.LOOK_AGAIN)


def test_a_seam_that_is_not_seen_is_said_and_has_no_probability():
    judged = judge(measured(SQUARE.corners_mm), [HALVES])
    assert "no seam is seen" in judged.why
    assert judged.fit_probability is None
    assert judge(with_seam(), [HALVES]).fit_probability > 0.99


def test_a_seam_more_than_expected_comes_last():
    extra = Seam(np.array([[10.0, 0.0], [10.0, 60.0]]), 0.05)
    unit = replace(with_seam(), seams=(extra, *with_seam().seams))
    judged = judge(unit, [HALVES])
    assert judged.verdict is Verdict.FITS
    assert judged.unit.seams[1] is extra


def test_the_mirror_image_may_show_in_the_seams_alone():
    # A square with a seam at a slant that no turn of it mirrors.
    seamed = ExpectedShape("leaning", SQUARE.corners_mm, np.array([[[10.0, 0.0], [35.0, 60.0]]]))
    right, wrong = (Seam(np.array([[x0, 0.0], [x1, 60.0]]), 0.05) for x0, x1 in ((10, 35), (50, 25)))
    assert judge(measured(SQUARE.corners_mm, seams=(right,)), [seamed]).verdict is Verdict.FITS
    assert judge(measured(SQUARE.corners_mm, seams=(wrong,)), [seamed]).verdict is Verdict.TURNED_OVER


def test_a_side_may_have_a_tolerance_of_its_own():
    free = ExpectedShape("oblong", OBLONG.corners_mm, side_tolerances_mm=(None, 3.0, None, None))
    wide = measured(turned_half(with_side_moved(OBLONG.corners_mm, 1, 1.2)))
    assert [judge(wide, [shape]).verdict for shape in (OBLONG, free)] == [Verdict.TRIM, Verdict.FITS]
    tight = ExpectedShape("oblong", OBLONG.corners_mm, side_tolerances_mm=(None, 0.2, None, 0.2))
    assert judge(measured(with_side_moved(OBLONG.corners_mm, 1, 0.7)), [tight]).verdict is Verdict.TRIM
    with pytest.raises(ValueError, match="as many"):
        ExpectedShape("oblong", OBLONG.corners_mm, side_tolerances_mm=(1.0,))


def turned_half(corners):
    return laid(corners, 3.0, (200.0, 50.0))


NAMED = ("strip edge", "cut edge", "strip edge", "cut edge")


@pytest.mark.parametrize(
    ("moved_mm", "said_in", "words"),
    [
        (1.6, "in", "from cut edge to cut edge 1/16 in too wide"),
        (-1.6, "in", "from cut edge to cut edge 1/16 in too narrow"),
        (1.6, "mm", "from cut edge to cut edge 1.6 mm too wide"),
        (0.79, "in", "from cut edge to cut edge 1/32 in too wide, 5"),  # about even
    ],
)
def test_what_is_said_at_the_table(moved_mm, said_in, words):
    shape = ExpectedShape("slab", OBLONG.corners_mm, side_names=NAMED, said_in=said_in)
    judged = judge(measured(with_side_moved(OBLONG.corners_mm, 1, moved_mm)), [shape])
    assert judged.why.startswith(words)
    assert judged.marks == (1, 3)
    assert ("% sure to fit" in judged.why) == (judged.verdict is Verdict.CLOSE)


def test_a_curved_piece_is_none_of_the_straight_ones():
    round_one = replace(measured(SQUARE.corners_mm), curved=Curved(2827.0, 3.0, 60.0, 0.1))
    assert judge(round_one, [SQUARE]).verdict is Verdict.OTHER


def test_what_is_measured_along_goes_along_when_sides_are_numbered_anew():
    corners = np.roll(RIGHT_SLANT.corners_mm, 1, axis=0)
    unit = replace(
        measured(corners),
        bows_mm=np.array([0.1, 0.2, 0.3, 0.4]),
        bows_u_mm=np.array([1.0, 2.0, 3.0, 4.0]),
        blemishes=(Blemish("notch", 1, 5.0, -1.0, 0.1),),
    )
    placed = judge(unit, [RIGHT_SLANT]).unit
    shift = int(np.argmin(np.hypot(*(placed.corners_mat_mm - corners[0]).T)))
    assert placed.bows_mm == pytest.approx(np.roll(unit.bows_mm, shift))
    assert placed.bows_u_mm == pytest.approx(np.roll(unit.bows_u_mm, shift))
    assert placed.blemishes[0].side == (1 + shift) % 4


def test_every_verdict_has_words():
    assert {verdict.words for verdict in Verdict} == {
        "fits", "trim", "short", "close", "turned over", "other", "look again"
    }  # fmt: skip
