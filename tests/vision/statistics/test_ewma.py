"""The weighted average against a published example."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.statistics.published import rows_of
from vision.statistics.ewma import ewma, ewma_reach


def test_ewma_as_printed():
    # NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, start 50, s = 2.0539; limits 52.5884 and 47.4115 (cut off, not
    # rounded: 47.411568); averages printed to 0.01; in control
    rows = rows_of("ewma_20.csv")
    averages = ewma([float(row["x"]) for row in rows], 50.0, 0.3)
    assert averages == pytest.approx([float(row["ewma_printed"]) for row in rows], abs=6e-3)
    reach = ewma_reach(2.0539, 0.3)
    assert (50.0 + reach, 50.0 - reach) == pytest.approx((52.588432, 47.411568), abs=5e-7)
    assert np.all(np.abs(averages - 50.0) < reach)


def test_its_spread_is_what_the_limits_are_of():
    """A third of the reach is the standard deviation of the average, after the first few values; four standard errors.

    Neighbours of a weighted average hang together, so that 200 000 values are as good as about 22 000.
    """
    averages = ewma(np.random.default_rng(8).standard_normal(200_000).tolist(), 0.0, 0.2)[50:]
    assert float(averages.std()) == pytest.approx(ewma_reach(1.0, 0.2) / 3.0, rel=4.0 / np.sqrt(2.0 * 22_000))


def test_a_small_step_is_seen_that_no_single_value_shows():
    values = [0.3, -0.3] * 10 + [1.3, 0.7] * 8  # a step of one, in values that scatter by 0.53 (ranges 0.6 over 1.128)
    averages, sigma = ewma(values, 0.0), 0.6 / 1.128
    out = np.flatnonzero(np.abs(averages) > ewma_reach(sigma))
    assert 20 < out[0] < 28
    assert max(values) < 3.0 * sigma


def test_no_value_no_average():
    assert ewma([], 1.0).shape == (0,)
