"""Measured units beside true ones: cases worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from projector.guide.steps import StripRecord
from projector.rehearsal.optics import Optics
from projector.rehearsal.setting import setting_of
from projector.rehearsal.things.sheet import SheetPose
from projector.rehearsal.truth import TrueCut, TrueSheet, TrueStrip, TrueUnit, Truth
from projector.score import score
from projector.telling.totals import strip_keys
from tests.projector.guide.yardage.cloths import strip_of
from vision.strips.verdict import JudgedStrip
from vision.units import Judged, MeasuredUnit, Width

Floats = NDArray[np.float64]

OPTICS: Optics = setting_of(1).camera
MARGIN_MM = 10.0
# The first flat sheet: its lower-left corner at (200, 100), turned by 30 degrees. Its chessboard begins 10 mm further
# right and up the sheet, and that is the origin of the rig's frame.
C, S = math.cos(math.pi / 6), math.sin(math.pi / 6)
POSE = SheetPose(np.array([200.0, 100.0, 0.1]), np.array([C, S, 0.0]), np.array([-S, C, 0.0]))
LATER = SheetPose(np.array([500.0, 300.0, 0.1]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
TRUE_MM = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 50.0], [0.0, 50.0]])
HERE_MM, THERE_MM = np.array([30.0, 40.0]), np.array([180.0, 90.0])


def in_true_mat(points_rig_mm: Floats) -> Floats:
    """By hand: 10 mm of paper, then the turn, then the shift."""
    x, y = (points_rig_mm + MARGIN_MM).T
    return np.column_stack([200.0 + C * x - S * y, 100.0 + S * x + C * y])


def truth(*units: TrueUnit, cuts: tuple[TrueCut, ...] = ()) -> Truth:
    tilted = TrueSheet(0.0, "sheet_tilted", LATER)
    return Truth(
        OPTICS, OPTICS, cuts, units, (tilted, TrueSheet(1.0, "sheet_flat", POSE), TrueSheet(2.0, "sheet_flat", LATER))
    )


def true_unit(laid_mat_mm: Floats) -> TrueUnit:
    return TrueUnit(0.0, "lamp", 1, TRUE_MM, ("lower", "cut", "upper", "end"), np.empty((0, 2, 2)), laid_mat_mm)


def judged(corners_mm: Floats, *widths: Width) -> Judged:
    n = len(corners_mm)
    return Judged(MeasuredUnit(corners_mm, np.full(n, 0.05), np.full(n, 0.05), np.full(n, 1e-3), np.zeros(n), widths))


def width(sides: tuple[int, int], mean_mm: float) -> Width:
    return Width(sides, mean_mm, mean_mm, mean_mm, 0.05)


def test_a_width_is_held_against_the_same_two_sides_of_the_true_unit() -> None:
    """The measured unit's corner 0 is the true one's corner 1: sides 0 and 2 are 100 mm apart, 1 and 3 are 50."""
    place = TRUE_MM + HERE_MM
    measured = judged(np.roll(place, -1, axis=0) + 0.1, width((0, 2), 100.3), width((1, 3), 49.6))
    scored = score([measured], truth(true_unit(in_true_mat(place))), MARGIN_MM)
    ((long, short),) = scored.units
    assert (long.true_mm, short.true_mm) == pytest.approx((100.0, 50.0))
    assert (long.error_mm, short.error_mm) == pytest.approx((0.3, -0.4))
    assert scored.width_error_rms_mm == pytest.approx(math.sqrt((0.3**2 + 0.4**2) / 2))


def test_of_two_true_units_the_one_that_lay_there_counts() -> None:
    here, there = TRUE_MM + HERE_MM, TRUE_MM + THERE_MM
    other = TrueUnit(1.0, "lamp", 2, TRUE_MM * 0.9, (), np.empty((0, 2, 2)), in_true_mat(there))
    scored = score([judged(here, width((0, 2), 50.0))], truth(other, true_unit(in_true_mat(here))), MARGIN_MM)
    assert scored.units[0][0].true_mm == pytest.approx(50.0)


@pytest.mark.parametrize("aside_mm", [(0.0, 0.0), (-1.2, 0.3), (0.5, 1.1), (1.2, -0.9)])
def test_a_unit_that_was_trimmed_where_it_lay_is_not_taken_for_itself_before(aside_mm: tuple[float, float]) -> None:
    """Five units in a row, 0.8 mm too wide and then trimmed on the left or on the right; the rig's frame lies aside."""
    on_right = (TRUE_MM[:, :1] > 50.0) * np.array([0.8, 0.0])
    on_left = (TRUE_MM[:, :1] < 50.0) * np.array([-0.8, 0.0])
    places = [TRUE_MM + np.array([130.0, 20.0]) * n for n in range(5)]
    wide = [place + (on_left if n % 2 else on_right) for n, place in enumerate(places)]

    def true(number: int, laid: Floats) -> TrueUnit:
        return TrueUnit(0.0, "lamp", number, laid - laid[0], (), np.empty((0, 2, 2)), laid)

    known = truth(*(true(n, laid) for n, laid in enumerate([*wide, *places])))
    seen = [judged(laid + aside_mm, width((1, 3), 100.0)) for laid in places]
    assert [pair.true_mm for (pair,) in score(seen, known).units] == pytest.approx([100.0] * 5)
    before = [judged(laid + aside_mm, width((1, 3), 100.8)) for laid in wide]
    found = score([*before, *seen], known).units
    assert [pair.true_mm for (pair,) in found] == pytest.approx([100.8] * 5 + [100.0] * 5)


def test_a_unit_where_none_truly_lay_has_no_truth() -> None:
    nowhere = score([judged(TRUE_MM, width((0, 2), 50.0))], truth(true_unit(TRUE_MM + 400.0)), MARGIN_MM)
    assert nowhere.units == ((),)
    assert nowhere.width_error_rms_mm is None
    assert nowhere.line_error_rms_mm is None


def test_the_light_is_off_by_its_distances_at_both_ends() -> None:
    """Demanded at x = 50; light at 50.3 below and 49.6 above: 0.3 and 0.4 mm off, RMS 0.3536."""
    demanded = np.array([[50.0, 0.0], [50.0, 80.0]])
    light = np.array([[50.3, 0.0], [49.6, 80.0]])
    cut = TrueCut(0.0, "strip", "lamp", "unit", light, demanded, demanded, False)
    assert score([], truth(cuts=(cut,)), MARGIN_MM).line_error_rms_mm == pytest.approx(math.sqrt(0.125), rel=1e-6)


def test_a_strip_is_held_against_the_true_one_that_lies_there() -> None:
    """A strip of 60 x 500 mm whose cuts are 1 and 2 mm off square over its depth: it bends by 3 / 500."""
    corners = np.array([[0.0, 0.0], [60.0, 0.0], [62.0, 500.0], [1.0, 500.0]])
    laid = corners + HERE_MM
    true = TrueStrip(0.0, "sea", "A set", 1, corners, ("lower", "end", "upper", "cut"), in_true_mat(laid), True)
    known = replace(truth(), strips=(true,))
    strip = strip_of(laid)
    record = StripRecord(JudgedStrip(strip), "sea for A set", "sea", "A set", 0, 60.0, 1, 1, 2, 1, -0.0061, 1e-4)
    (pair,) = score([], known, MARGIN_MM, [record]).strips
    assert pair is not None
    assert pair.true_bend_rad == pytest.approx(-3.0 / 500.0, rel=1e-4)
    assert pair.true_width_mm == pytest.approx(60.5, abs=0.01)
    elsewhere = replace(record, judged=JudgedStrip(strip_of(corners + THERE_MM)))
    assert score([], known, MARGIN_MM, [elsewhere]).strips == (None,)
    keys = strip_keys(score([], known, MARGIN_MM, [record, elsewhere]))
    assert keys["strips"] == 2
    assert keys["bend_error_rms_deg"] == pytest.approx(math.degrees(1e-4), rel=0.01)
    assert strip_keys(score([], known, MARGIN_MM)) == {}
