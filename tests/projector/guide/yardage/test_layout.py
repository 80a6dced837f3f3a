"""Yardage as it is found on the mat, and where its cuts lie, against plane geometry done in another way.

No outside source but that geometry; how cloth is usually laid is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import LineString, Point, Polygon
from shapely.affinity import affine_transform

from projector.guide.units.layout import FoundStrip
from projector.guide.yardage.layout import (
    Angle,
    NoYardage,
    bend_of_sides,
    bend_of_strip,
    find_yardage,
    off_square,
    rest_beyond,
    room_mm,
    squaring_line,
    strip_line,
    truing_reason,
    widths_along_mm,
)
from tests.projector.guide.yardage.cloths import AREA, U_RAD, cloth, strip_of, turned

# Fold along the bottom, 500 long, 540 deep; the right end leans out by 9 mm at the top, the far edge rises by 2.
RAW = [(60.0, 30.0), (560.0, 30.0), (569.0, 572.0), (60.0, 570.0)]
LEAN_RAD = math.atan2(9.0, 542.0)


def found(corners, hand="right", trouble=None):
    one = find_yardage([cloth(corners, trouble)], hand, AREA)
    assert isinstance(one, FoundStrip), one
    return one


def mirrored(corners):
    return [(914.4 - x, y) for x, y in corners][::-1]


@pytest.mark.parametrize("turn_deg", [0.0, 3.0, -2.0])
def test_fold_end_and_depth_are_told_by_how_they_lie(turn_deg):
    one = found(turned(RAW, turn_deg, (400.0, 300.0)))
    assert np.allclose(one.lower_mat_mm, turned(RAW[:2], turn_deg, (400.0, 300.0)))
    assert np.allclose(one.end_mat_mm, turned(RAW[1:3], turn_deg, (400.0, 300.0)))
    assert one.width_mm == pytest.approx(541.0)
    assert off_square(one).rad == pytest.approx(-LEAN_RAD)  # the top leans out to the right: clockwise
    assert off_square(one).u_rad == pytest.approx(math.sqrt(2) * U_RAD)  # the end's and the fold's
    assert room_mm(one) == pytest.approx(500.0)


def test_the_left_hand_works_on_the_left_end():
    one = found(mirrored(RAW), "left")
    assert np.allclose(one.end_mat_mm, [(354.4, 30.0), (345.4, 572.0)])
    assert off_square(one).rad == pytest.approx(LEAN_RAD)
    line = strip_line(one, 60.0, 3)
    assert line.keep == "left"
    assert line.cloth_mat_mm[:, 0].min() > 354.4


def test_a_ragged_end_is_squared_past_its_innermost_point_whatever_lies_on_the_mat_beside_it():
    ragged = [RAW[0], (560.0, 30.0), (552.0, 200.0), (566.0, 400.0), (569.0, 572.0), RAW[3]]
    scrap = cloth([(700.0, 100.0), (730.0, 100.0), (730.0, 130.0), (700.0, 130.0)])
    one = find_yardage([scrap, cloth(ragged)], "right", AREA)
    assert isinstance(one, FoundStrip)
    line = squaring_line(one, 3.0, "why", 4)
    assert np.allclose(line.cloth_mat_mm[:, 0], 549.0)  # 3 mm further in than 552, upright as the fold is level
    assert (line.purpose, line.keep) == ("true_up", "left")
    assert line.cloth_mat_mm[0] == pytest.approx((549.0, 30.0))


@pytest.mark.parametrize(
    ("corners", "said"),
    [
        ([(60, 0), (560, 0), (560, 500), (60, 500)], "the fold hangs over"),
        ([(60, 100), (560, 100), (560, 609), (60, 609)], "fold it once more"),
        ([(60, 0), (560, 0), (560, 609), (60, 609)], "fold it once more"),
        ([(400, 40), (914, 40), (914, 560), (400, 560)], "pull the cloth to the left"),
        ([(60, 100), (100, 100), (100, 500), (60, 500)], "too little of the fold"),
    ],
)
def test_what_hangs_over_the_mat_is_told_where_it_matters(corners, said):
    one = find_yardage([cloth(corners, "cut_off")], "right", AREA)
    assert isinstance(one, NoYardage)
    assert said in one.why


def test_cloth_may_hang_over_the_mats_other_end_and_nothing_else_is_yardage():
    one = found([(0, 40), (560, 40), (560, 560), (0, 560)], trouble="cut_off")
    assert one.cut_off
    assert isinstance(find_yardage([], "right", AREA), NoYardage)
    assert isinstance(find_yardage([cloth(RAW, "touching")], "right", AREA), NoYardage)


@pytest.mark.parametrize(("lean_mm", "turn_deg"), [(0.0, 0.0), (4.0, 2.0), (-3.0, -3.0)])
def test_a_strip_is_as_wide_at_the_fold_as_away_from_it(lean_mm, turn_deg):
    corners = turned([RAW[0], RAW[1], (560.0 + lean_mm, 572.0), RAW[3]], turn_deg, (400.0, 300.0))
    one = found(corners)
    line = strip_line(one, 63.5, 3)
    low, high = one.end_mat_mm
    endless = LineString([low - (high - low), high + (high - low)])
    assert [endless.distance(Point(place)) for place in line.cloth_mat_mm] == pytest.approx([63.5] * 2)
    assert rest_beyond(one, line).area == pytest.approx(Polygon(corners).area - 63.5 * endless.length / 3, rel=1e-3)


@pytest.mark.parametrize("off_deg", [-0.6, 0.0, 0.4])
def test_the_bend_is_that_of_the_cloth_opened_about_its_fold(off_deg):
    """The strip is cut out of the folded cloth and its upper layer turned over about the fold, as a mirror does."""
    top = 570.0
    lean = top * math.tan(math.radians(off_deg))
    folded = Polygon([(0, 0), (60, 0), (60 - lean, top), (-lean, top)])  # counter-clockwise by off_deg
    under = affine_transform(folded, [1, 0, 0, -1, 0, 0])
    bend = math.atan2(lean, top) - math.atan2(-lean, top)  # between the halves' left sides, (0, 0) being on the fold
    assert (folded | under).area == pytest.approx(2 * folded.area)
    told = bend_of_sides(Angle(math.radians(off_deg), 0.001), Angle(math.radians(off_deg), 0.001))
    assert told.rad == pytest.approx(bend)
    assert told.u_rad == pytest.approx(2 * 0.001)  # the fold's error is both sides'
    seen = bend_of_strip(strip_of(np.array(folded.exterior.coords)[:4]), 540.0)
    assert seen is not None
    assert seen.rad == pytest.approx(abs(bend), abs=1e-9)


def test_an_opened_strip_shows_its_bend_by_its_bow():
    """Two halves of 535 mm that meet at 1 degree: the parabola that least squares lays through them, by NumPy."""
    half, bend = 535.0, math.radians(1.0)
    y = np.linspace(-half, half, 2001)
    x = -np.abs(y) * math.tan(bend / 2)
    parabola = np.polynomial.Polynomial.fit(y, x, 2)
    bow = float(parabola(0.0) - (parabola(half) + parabola(-half)) / 2)
    long = strip_of([(300, 10), (360, 10), (360, 1080), (300, 1080)], bow_mm=bow)
    seen = bend_of_strip(long, 535.0)
    assert seen is not None
    assert seen.rad == pytest.approx(bend, rel=2e-3)


def test_a_strip_is_told_where_it_is_narrowest_and_widest():
    tapered = strip_of([(300, 20), (360, 20), (362, 560), (300, 560)])
    assert widths_along_mm(tapered) == pytest.approx((60.0, 62.0), abs=0.01)


def test_of_a_strip_that_lies_across_nobody_knows_which_end_is_the_fold():
    across = strip_of(turned([(300, 20), (360, 20), (360, 560), (300, 560)], 80.0, (330.0, 290.0)))
    assert bend_of_strip(across, 540.0) is None


@pytest.mark.parametrize(
    ("raw", "off_deg", "layers", "said"),
    [
        (True, 0.0, 2, "first square the raw end to the fold, or strips bend there"),
        (True, 0.0, 1, "first square the raw end to the near edge, or strips end askew"),
        (False, 0.24, 2, None),  # a bend of 0.48 degree: within the angles' tolerance
        (False, 0.26, 2, None),  # 0.52, known to 0.03 only
        (False, 0.28, 2, "the next strip would bend by 0.6 deg at the fold, true the end"),
        (False, -0.4, 2, "the next strip would bend by 0.8 deg at the fold, true the end"),
        (False, 0.4, 1, "the end is 0.4 deg off the near edge, true it"),
    ],
)
def test_when_an_end_is_squared(raw, off_deg, layers, said):
    lean = 540.0 * math.tan(math.radians(off_deg))
    one = found([(60, 30), (560, 30), (560 - lean, 570), (60, 570)])
    assert truing_reason(one, raw, math.radians(0.5), layers) == said
