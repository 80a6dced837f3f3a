"""When an end is trued and how thin the cut is: by hand, and how often it is proposed where it must and must not be."""

import math

import numpy as np
import pytest

from projector.guide.units.layout import FoundStrip, find_strip
from projector.guide.units.truing import MARGIN_MM, Truing, margin_mm, tilt_of, truing_line, truing_reason, wedge_of
from projector.piecing.plans import Cut, Strip
from tests.projector.guide.units.test_layout import cloth
from vision.units import MeasuredUnit

STRAIGHT = Cut("a strip", 5, 50.0)
TOLERANCE_MM = 25.4 / 32


def ended(tilt_deg, wide_mm=80.0, angle_deg=90.0, u_rad=0.0):
    """A strip whose right end is so far off its cut's angle, and how surely that is known."""
    at = math.radians(angle_deg - tilt_deg)  # a positive tilt leans the upper corner outward
    run = wide_mm / math.tan(at)
    unit = cloth([(100, 200), (700, 200), (700 + run, 200 + wide_mm), (100, 200 + wide_mm)])
    tilts = np.array([0.0, u_rad, 0.0, 0.0])
    unit = MeasuredUnit(unit.corners_mat_mm, *(np.zeros(4),) * 2, tilts, np.zeros(4), unit.widths)
    found = find_strip([unit], Strip("a strip", wide_mm, 600.0), "right")
    assert isinstance(found, FoundStrip)
    return found


@pytest.mark.parametrize(
    ("raw", "tilt_deg", "tolerance_mm", "reason"),
    [
        (True, 0.0, 0.8, "true the raw end first"),
        (False, 0.0, 0.8, None),
        (False, 0.34, 0.8, None),
        (False, 0.36, 0.8, "the end is 0.4 deg off, true it"),
        (False, -0.36, 0.8, "the end is 0.4 deg off, true it"),
        (False, 0.3, 0.4, "the end is 1/64 in out of true, true it"),  # 80 x tan 0.3 deg = 0.42 mm
        (False, 0.28, 0.4, None),  # 0.39 mm
        (False, 0.36, 1.1, None),  # 0.50 mm: less than half the tolerance
        (False, 0.51, 2.0, "the end is 0.5 deg off, true it"),  # whatever its wedge
    ],
)
def test_when_an_end_is_trued(raw, tilt_deg, tolerance_mm, reason):
    assert truing_reason(ended(tilt_deg), STRAIGHT, raw, tolerance_mm) == reason


@pytest.mark.parametrize(
    ("settings", "tilt_deg", "trued"),
    [
        (Truing(wedge_mm=0.2), 0.2, True),  # 0.28 mm
        (Truing(wedge_mm=2.0), 0.34, False),
        (Truing(tilt_rad=math.radians(0.1)), 0.25, False),  # it shows in no verdict
        (Truing(tilt_rad=math.radians(0.1)), 0.3, True),
        (Truing(tilt_rad=math.radians(0.45)), 0.43, False),
        (Truing(tilt_rad=math.radians(2.0)), 0.49, False),
        (Truing(tilt_rad=math.radians(2.0)), 0.6, True),  # half a degree is never left
    ],
)
def test_settings_move_the_limits(settings, tilt_deg, trued):
    assert (truing_reason(ended(tilt_deg), STRAIGHT, False, TOLERANCE_MM, settings) is not None) is trued


def test_a_tilt_that_is_not_surely_worth_it_is_left():
    """0.4 degrees over 63.5 mm: a wedge of 0.44 mm, half the tolerance is 0.40; known to 0.01 and to 0.05 mm."""
    assert truing_reason(ended(0.4, 63.5, u_rad=0.00016), STRAIGHT, False, TOLERANCE_MM) is not None
    assert truing_reason(ended(0.4, 63.5, u_rad=0.0008), STRAIGHT, False, TOLERANCE_MM) is None


@pytest.mark.parametrize(("wide_mm", "angle_deg"), [(63.5, 90.0), (88.9, 45.0), (160.0, 60.0), (57.15, 90.0)])
def test_it_is_always_proposed_where_it_must_be_and_never_where_it_must_not(wide_mm, angle_deg):
    """Ends measured with u = 0.014 degrees, as on rendered frames at worst; tilts up to 0.8 degrees."""
    rng, u_rad = np.random.default_rng(8), math.radians(0.014)
    cut = Cut("a strip", 5, 50.0, math.radians(angle_deg))
    must = must_not = 0
    for true_deg in rng.uniform(-0.8, 0.8, 1000):
        truth = wedge_of(ended(true_deg, wide_mm, angle_deg), cut)
        seen = ended(true_deg + math.degrees(rng.normal(0.0, u_rad)), wide_mm, angle_deg, u_rad)
        proposed = truing_reason(seen, cut, False, TOLERANCE_MM) is not None
        if truth > 1.5 * TOLERANCE_MM or abs(true_deg) > 0.5:
            must += 1
            assert proposed, true_deg
        elif truth < 0.5 * TOLERANCE_MM:
            must_not += 1
            assert not proposed, true_deg
    assert must > 100
    assert must_not > 100


def test_tilt_and_wedge_by_hand():
    found = ended(0.5)
    assert math.degrees(abs(tilt_of(found, STRAIGHT))) == pytest.approx(0.5)
    assert wedge_of(found, STRAIGHT) == pytest.approx(80.0 * math.tan(math.radians(0.5)))


def test_the_uncertainty_of_the_end_is_its_own_and_that_of_the_long_sides():
    assert ended(0.5, u_rad=0.001).end_u_rad == pytest.approx(0.001)


@pytest.mark.parametrize(
    ("raw", "settings", "wanted_mm"),
    [(True, Truing(), 25.4 / 8), (True, Truing(selvage_mm=12.7), 12.7 + 25.4 / 8), (False, Truing(), MARGIN_MM)],
)
def test_how_far_in_a_truing_cut_lies(raw, settings, wanted_mm):
    assert margin_mm(Strip("a strip", 80.0, 600.0), raw, settings) == pytest.approx(wanted_mm)


def test_strips_sewn_staggered_are_trued_past_their_innermost_step():
    """Cut at 45 degrees leaning right: the steps follow the slant, and the lower corner of each is as far in."""
    corners = [(100, 200), (660, 200), (660, 240), (700, 240), (700, 280), (100, 280)]
    found = find_strip([cloth(corners)], Strip("a strip", 80.0, 600.0), "right")
    assert isinstance(found, FoundStrip)
    line = truing_line(found, Cut("a strip", 5, 50.0, math.radians(45)), 0.0, "raw")
    assert line.cloth_mat_mm == pytest.approx(np.array([[620, 200], [700, 280]]))
    assert math.ceil(60.0 / 50.0) == 2
    back = truing_line(found, Cut("a strip", 5, 50.0, math.radians(45)), 0.0, "raw", kept_back_mm=50.0)
    assert back.units_left == line.units_left - 1
