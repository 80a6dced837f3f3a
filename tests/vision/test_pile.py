"""Sums over a pile, against certified statistics."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision.comparing.expected import ExpectedShape
from vision.pile import spread, sum_up
from vision.units import Judged, MeasuredUnit, Verdict, Width

TABLES = Path(__file__).parents[2] / "fixtures" / "tables"


def unit(width_mm: float) -> MeasuredUnit:
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * width_mm
    small = np.full(4, 0.02)
    return MeasuredUnit(square, small, small, small, small, (Width((0, 2), width_mm, width_mm, width_mm, 0.03),))


def test_mean_and_sd_of_michelso():
    # NIST Statistical Reference Datasets, univariate, Michelso: certified to 15 digits
    values = np.loadtxt(TABLES / "nist_michelso.csv", comments="#", skiprows=2)
    summed = spread(values.tolist())
    assert summed.count == 100
    assert summed.mean == pytest.approx(299.8524, rel=1e-13)
    assert summed.sd == pytest.approx(0.0790105478190518, rel=1e-10)


def test_large_numbers_do_not_cancel():
    # NIST StRD NumAcc1: mean and standard deviation exact
    summed = spread([10000001.0, 10000003.0, 10000002.0])
    assert (summed.mean, summed.sd, summed.least, summed.greatest) == (10000002.0, 1.0, 10000001.0, 10000003.0)


def test_one_unit_has_no_spread():
    assert spread([63.5]).sd == 0.0


def test_only_what_was_expected_is_summed():
    widths = {Verdict.FITS: 63.5, Verdict.SHORT: 62.5, Verdict.OTHER: 90.0, Verdict.LOOK_AGAIN: 10.0}
    units = [Judged(unit(width), "square", verdict=verdict) for verdict, width in widths.items()]
    units += [Judged(unit(63.5), "square", verdict=Verdict.TURNED_OVER), Judged(unit(41.0))]
    pile = sum_up(units)
    assert (pile.units, pile.judged) == (6, 5)
    assert pile.verdicts == {"fits": 1, "short": 1, "other": 1, "look_again": 1, "turned_over": 1}
    assert pile.widths_mm == {("square", (0, 2)): spread([63.5, 62.5])}


def test_two_shapes_are_two_piles():
    pile = sum_up([Judged(unit(63.5), "a", verdict=Verdict.FITS), Judged(unit(50.0), "b", verdict=Verdict.FITS)])
    assert {key: summed.mean for key, summed in pile.widths_mm.items()} == {("a", (0, 2)): 63.5, ("b", (0, 2)): 50.0}


def test_the_widths_of_a_square_are_one_where_its_shape_is_known():
    """Squares 63 by 64 mm, laid down with this or that side first: (63 + 64) / 2, and sqrt(4 x 0.25 / 3)."""
    square = ExpectedShape("a", np.array([[0.0, 0.0], [63.5, 0.0], [63.5, 63.5], [0.0, 63.5]]))
    units = []
    for one, other in ((63.0, 64.0), (64.0, 63.0)):
        widths = (Width((0, 2), one, one, one, 0.03), Width((1, 3), other, other, other, 0.03))
        units.append(Judged(replace(unit(63.5), widths=widths), "a", verdict=Verdict.FITS))
    assert sum_up(units, [square]).widths_mm == {("a", (0, 2)): spread([63.0, 64.0, 64.0, 63.0])}
    assert set(sum_up(units).widths_mm) == {("a", (0, 2)), ("a", (1, 3))}
    rectangle = ExpectedShape("a", np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 63.5], [0.0, 63.5]]))
    assert set(sum_up(units, [rectangle]).widths_mm) == {("a", (0, 2)), ("a", (1, 3))}
