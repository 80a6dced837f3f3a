"""Capability against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from vision.statistics.capability import capability, capability_of


def test_capability_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2
    told = capability_of(50, 16.0, 2.0, 8.0, 20.0)
    assert told.cp.value == 1.0
    assert told.cpk.value == pytest.approx(0.6667, abs=5e-5)


@pytest.mark.parametrize(
    ("cp", "per_million"),
    [(0.5, 133614), (0.6667, 45500), (1.0, 2699.8), (1.3333, 63.34), (1.5, 6.795), (1.6667, 0.5733), (2.0, 0.001973)],
)
def test_share_outside_of_a_centred_process(cp, per_million):
    # the usual table of handbooks
    told = capability_of(10, 0.0, 1.0, -3.0 * round(cp * 6) / 6, 3.0 * round(cp * 6) / 6)
    assert told.outside * 1e6 == pytest.approx(per_million, rel=3e-4)


def test_intervals_by_their_formulas():
    # NIST e-Handbook 6.1.6; Bissell 1990; quantiles by scipy.stats
    n, told = 30, capability_of(30, 0.1, 0.25, -1.0, 1.0)
    low, high = (math.sqrt(stats.chi2.ppf(p, n - 1) / (n - 1)) * told.cp.value for p in (0.025, 0.975))
    assert (told.cp.low, told.cp.high) == pytest.approx((low, high), rel=1e-9)
    give = stats.norm.ppf(0.975) * math.sqrt(1 / (9 * n) + told.cpk.value**2 / (2 * (n - 1)))
    assert (told.cpk.low, told.cpk.high) == pytest.approx((told.cpk.value - give, told.cpk.value + give), rel=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say():
    """2000 piles of 50 from a process of Cp 4/3, Cpk 1: both held in 95 of 100 (Bissell's is an approximation)."""
    rng = np.random.default_rng(8)
    held = np.zeros(2)
    for _ in range(2000):
        told = capability(rng.normal(1.0, 1.0, 50).tolist(), -4.0, 4.0)
        assert told is not None
        held += [told.cp.low < 4 / 3 < told.cp.high, told.cpk.low < 1.0 < told.cpk.high]
    assert np.all(np.abs(held / 2000 - 0.95) < [4 * math.sqrt(0.05 * 0.95 / 2000), 0.025])


def test_nothing_is_said_of_too_few():
    assert capability([1.0], 0.0, 2.0) is None
    assert capability([1.0, 1.0], 0.0, 2.0) is None
    assert capability([], 0.0, 2.0) is None
