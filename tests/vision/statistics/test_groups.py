"""Units in groups against published constants and a published example."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.vision.statistics.published import TABLES, rows_of
from vision.statistics.groups import groups_of, mean_factor, mean_sd

RINGS = TABLES / "xbar_s_ring_diameters_mm.csv"


def test_constants_of_charts_of_means():
    # c4 and A3 to five decimals, from the defining integrals; printed tables agree (NIST e-Handbook 6.3.2.1)
    for row in rows_of("control_chart_constants.csv"):
        n = int(row["n"])
        assert [mean_sd(n), mean_factor(n)] == pytest.approx([float(row["c4"]), float(row["A3"])], abs=6e-6)


def test_groups_of_sizes_that_differ():
    # D. C. Montgomery, Introduction to Statistical Quality Control, example 6.4 (from memory): mean 74.001, mean
    # standard deviation 0.0103, of the first sample 74.016 and 73.986 from these rounded figures; all in control
    lines = RINGS.read_text(encoding="utf-8").splitlines()[1:]
    groups = groups_of([[float(cell) for cell in line.split(",")[1:]] for line in lines])
    assert groups is not None
    assert groups.centre == pytest.approx(74.001, abs=5e-4)
    assert groups.sd == pytest.approx(0.0103, abs=5e-5)
    assert groups.limits(0) == pytest.approx((73.986, 74.016), abs=1e-3)
    assert groups.limits(1)[1] > groups.limits(5)[1] > groups.limits(0)[1]  # of three, four and five
    assert groups.out == ()


def test_a_strip_that_differs_is_found_and_no_other():
    rng = np.random.default_rng(4)
    strips = [rng.normal(0.6 if i == 2 else 0.0, 0.2, 8).tolist() for i in range(6)]
    groups = groups_of(strips)
    assert groups is not None
    assert groups.out == (2,)


def test_groups_that_are_alike_are_called_as_seldom_as_three_sigma_says():
    """0.27 % of means of a known spread; estimated from the groups, and limits a little wider by c4: 0.15 to 0.5 %."""
    rng = np.random.default_rng(6)
    called = sum(len(groups_of(rng.normal(0.0, 1.0, (6, 8)).tolist()).out) for _ in range(1500))
    assert 0.0005 < called / 9000 < 0.005


def test_a_lone_unit_and_equal_values_say_nothing():
    assert groups_of([[1.0], [2.0]]) is None  # nothing is known of the spread within
    assert groups_of([[1.0, 2.0]]) is None
    assert groups_of([[1.0, 1.0], [2.0, 2.0]]) is None
    lone = groups_of([[1.0, 2.0], [2.0], []])
    assert lone is not None
    assert (lone.counts, lone.out, lone.limits(1)[0]) == ((2, 1), (), -math.inf)
