"""Between what most units lie, against published factors and drawn piles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtr

from vision.statistics.capability import capability_of
from vision.statistics.tolerance_interval import (
    most_lie_between,
    share_beyond_at_most,
    share_outside_at_most,
    tolerance_factor,
)


def test_two_sided_factor():
    # NIST/SEMATECH e-Handbook 7.2.6.3: 43 values, 90 % of all with 99 % confidence, Howe's formula
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2173159, abs=5e-8)
    # C. Zaiontz, Real Statistics, tolerance interval, example 1, another approximation: 9.5496 and 10.4504
    told = most_lie_between(40, 10.0, 0.2, 0.90, 0.99)
    assert told.high - 10.0 == pytest.approx(10.0 - told.low) == pytest.approx(0.4504, rel=0.005)


@pytest.mark.parametrize(
    ("count", "printed"), [(4, 6.34), (5, 5.08), (6, 4.42), (8, 3.75), (10, 3.39), (20, 2.76), (40, 2.45), (60, 2.34)]
)
def test_two_sided_factor_beside_a_printed_table(count, printed):
    # P. M. Berthouex, L. C. Brown, Statistics for Environmental Engineers, table 21.1: 95 % of all with 95 % confidence
    assert tolerance_factor(count) == pytest.approx(printed, rel=0.01)


def test_one_sided_share():
    # C. Zaiontz, Real Statistics, tolerance interval, example 1: of 40 values 10 % lie beyond 1.9017 standard
    # deviations with 99 % confidence, by non-central t
    for side, above in ((1.0, True), (-1.0, False)):
        told = share_beyond_at_most(40, 10.0, 0.2, 10.0 + side * 0.2 * 1.9017, 0.99, above)
        assert told == pytest.approx(0.1, abs=2e-5)


def test_they_hold_as_often_as_they_say():
    """400 piles of 12 units: the interval holds 95 % of all in 95 of 100 piles, the share is true in 95 of 100."""
    rng = np.random.default_rng(9)
    wide = bounded = 0
    for _ in range(400):
        pile = rng.normal(0.0, 1.0, 12)
        mean, sd = float(pile.mean()), float(pile.std(ddof=1))
        told = most_lie_between(12, mean, sd)
        wide += float(ndtr(told.high) - ndtr(told.low)) >= 0.95
        bounded += share_beyond_at_most(12, mean, sd, 2.0) >= float(ndtr(-2.0))
    error = 4.0 * math.sqrt(0.95 * 0.05 / 400)
    assert abs(wide / 400 - 0.95) < error + 0.003  # Howe's formula is an approximation
    assert abs(bounded / 400 - 0.95) < error


def test_of_few_units_little_is_known():
    assert most_lie_between(3, 0.0, 1.0).high > 2.0 * most_lie_between(30, 0.0, 1.0).high
    assert share_beyond_at_most(3, 0.0, 1.0, 3.0) > 0.1 > 0.05 > share_beyond_at_most(30, 0.0, 1.0, 3.0)
    assert share_beyond_at_most(500, 0.0, 1.0, 60.0) == pytest.approx(0.0, abs=1e-12)
    assert [share_beyond_at_most(40, 0.0, 1e-7, limit) for limit in (1.0, -1.0)] == [0.0, 1.0]
    near, far = (share_beyond_at_most(2, 0.0, 1.0, limit) for limit in (29.99, 30.01))
    assert near == pytest.approx(far, rel=0.02)  # one way goes over into the other


def test_of_two_limits_both_count_and_a_mean_beyond_one_is_more_than_half():
    able = capability_of(40, 0.0, 1.0, -2.0, 2.0)
    both = share_outside_at_most(able, -2.0, 2.0)
    assert both == pytest.approx(2.0 * share_beyond_at_most(40, 0.0, 1.0, 2.0, 0.975))
    assert share_outside_at_most(able, -30.0, 2.0) == pytest.approx(both / 2.0, abs=1e-9)
    assert share_beyond_at_most(40, 0.0, 1.0, -0.5) > 0.69 > 0.5 > share_beyond_at_most(40, 0.0, 1.0, -0.5, above=False)
    assert share_outside_at_most(capability_of(3, 0.0, 1.0, -0.1, 0.1), -0.1, 0.1) == 1.0
