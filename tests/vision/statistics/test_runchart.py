"""Control limits, run rules and drift against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.measure.statistics import run_length
from tests.vision.statistics.published import TABLES, rows_of
from vision.statistics.drift import line_through, neighbours_correlation
from vision.statistics.ranges import mean_range, sd_range
from vision.statistics.runchart import WESTERN_ELECTRIC, Rule, limits_of, signals, signals_at_end


def test_constants_of_range_charts():
    # d2, d3, D3 and D4 to five decimals, from the defining integrals; printed tables agree (NIST e-Handbook 6.3.2.1)
    for row in rows_of("control_chart_constants.csv"):
        n = int(row["n"])
        d2, d3 = mean_range(n), sd_range(n)
        found = [d2, d3, max(0.0, 1.0 - 3.0 * d3 / d2), 1.0 + 3.0 * d3 / d2]
        assert found == pytest.approx([float(row[key]) for key in ("d2", "d3", "D3", "D4")], abs=6e-6)


def test_limits_of_individuals():
    # NIST/SEMATECH e-Handbook 6.3.2.2: 55.8041 and 45.8159 with d2 rounded to 1.128; unrounded 55.802412, 45.817588
    values = [float(row["x"]) for row in rows_of("imr_flow_rate.csv")]
    limits = limits_of(values)
    assert limits.centre == pytest.approx(50.81, abs=1e-9)
    assert limits.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert (limits.upper, limits.lower) == pytest.approx((55.802412, 45.817588), abs=5e-7)
    assert (limits.upper, limits.lower) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert limits.range_upper == pytest.approx(6.133821, abs=5e-7)  # with 3.267: 6.1347
    assert signals(values, limits.centre, limits.sigma) == ()


def test_false_alarms_of_the_four_rules():
    # Champ & Woodall, Technometrics 29 (1987): in control the four Western Electric rules signal every 91.75 points
    mean, error = run_length(WESTERN_ELECTRIC, 3000)
    assert error < 2.0
    assert abs(mean - 91.75) < 4 * error


@pytest.mark.parametrize(
    ("rule", "values", "at"),
    [
        (Rule.BEYOND, [0, 0, 3.01], 2),
        (Rule.BEYOND, [0, 0, 3.0], None),
        (Rule.TWO_OF_THREE, [2.1, 0, 2.1], 2),
        (Rule.TWO_OF_THREE, [2.1, 0, 0, 2.1], None),
        (Rule.TWO_OF_THREE, [2.1, -2.1, 0], None),
        (Rule.FOUR_OF_FIVE, [1.1, 1.1, 0, 1.1, 1.1], 4),
        (Rule.FOUR_OF_FIVE, [1.1, 1.1, 0, 1.1, 0.9], None),
        (Rule.EIGHT_ON_ONE_SIDE, [0.1] * 8, 7),
        (Rule.EIGHT_ON_ONE_SIDE, [0.1] * 7 + [-0.1], None),
        (Rule.SIX_ONE_WAY, [0, 0.1, 0.2, 0.3, 0.4, 0.5], 5),
        (Rule.SIX_ONE_WAY, [0, 0.1, 0.2, 0.3, 0.4, 0.4], None),
    ],
)
def test_each_rule_as_it_is_written(rule, values, at):
    """Worked by hand, and mirrored."""
    for sign in (1.0, -1.0):
        found = signals([sign * value for value in values], 0.0, 1.0, [rule])
        assert [(one.first, one.upward) for one in found] == ([] if at is None else [(at, sign > 0)])


def test_a_run_that_goes_on_is_told_once():
    assert len(signals([0.5] * 30, 0.0, 1.0)) == 1
    (signal,) = signals([0.5] * 30, 0.0, 1.0)
    assert signal.words() == "shift upward at number 8: eight in a row on one side"


def test_rules_need_a_spread_and_stand_alone_values():
    assert signals([], 0.0, 1.0) == ()
    with pytest.raises(ValueError, match="two values"):
        limits_of([1.0])


def test_line_with_uncertainties():
    # JCGM 100:2008 (GUM), H.3: calibration of a thermometer
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = line_through(t, b, origin=20.0)
    assert (line.offset, line.u_offset) == pytest.approx((-0.17120379, 0.00287760), abs=5e-9)
    assert (line.slope, line.u_slope) == pytest.approx((0.0021826977, 0.0006679388), abs=5e-11)
    assert line.correlation == pytest.approx(-0.93043, abs=5e-6)
    assert line.sd == pytest.approx(0.00349756, abs=5e-9)
    assert line.at(30.0) == pytest.approx((-0.1493768, 0.0041386), abs=5e-8)
    # of its slope: t = 3.2678 with 9 degrees of freedom, two-sided
    assert 0.005 < line.by_chance < 0.01  # t tables: 3.250 at 1 %, 3.690 at 0.5 %


def test_a_slope_is_called_by_chance_as_often_as_it_says():
    rng = np.random.default_rng(2)
    told = [line_through(range(10), rng.standard_normal(10).tolist()).by_chance for _ in range(2000)]
    assert abs(np.mean(np.array(told) < 0.05) - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 2000)


def test_neighbours_of_michelso():
    # NIST Statistical Reference Datasets, Michelso: certified lag-1 autocorrelation
    values = np.loadtxt(TABLES / "nist_michelso.csv", comments="#", skiprows=2)
    assert neighbours_correlation(values.tolist()) == pytest.approx(0.535199668621283, rel=1e-11)


def test_no_line_through_one_place():
    with pytest.raises(ValueError, match="two places"):
        line_through([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])


def test_what_begins_at_the_last_point_is_told_as_of_the_whole_run() -> None:
    """A slow drift and steps between whole values, so that every rule is met; each length of the run by itself."""
    rng = np.random.default_rng(3)
    values = (np.round(rng.normal(0.0, 1.2, 400)) + 1.5 * np.sin(np.arange(400) / 20.0)).tolist()
    met = set[Rule]()
    for n in range(1, len(values) + 1):
        told = signals_at_end(values[:n], 0.0, 1.0)
        assert told == tuple(one for one in signals(values[:n], 0.0, 1.0) if one.first == n - 1)
        met |= {one.rule for one in told}
    assert met == set(Rule)
