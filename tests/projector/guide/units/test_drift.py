"""Creep of widths or angles: against a worked example and published run lengths."""

import numpy as np
import pytest

from projector.guide.units.drift import LIMIT, SLACK, cusum, deviates, drift_of


def test_the_sums_of_a_worked_example():
    """x = 10 10 10 11 12 13, target 10, sd 1, k 0.5, h 4: signal at the sixth (a worked example of a chart library)."""
    sums = cusum(np.array([10, 10, 10, 11, 12, 13]) - 10.0, 0.5)
    assert sums[:, 0].tolist() == [0, 0, 0, 0.5, 2.0, 4.5]
    assert sums[:, 1].tolist() == [0] * 6


def run_length(rng, step, known):
    """Values until the alarm, from the first that is off by `step` standard deviations, at most 3000."""
    values = rng.normal(step, 1.0, 3000) if known else np.concatenate([rng.normal(0, 1, 200), rng.normal(step, 1, 200)])
    sums = cusum(values if known else deviates(values), SLACK).max(axis=1)
    alarms = np.flatnonzero(sums > LIMIT)
    alarms = alarms if known else alarms[alarms >= 200] - 200
    return (int(alarms[0]) if len(alarms) else len(values) - 1) + 1


@pytest.mark.parametrize(("step", "published"), [(1.0, 10.4), (2.0, 4.01)])
def test_run_lengths_of_known_mean_and_deviation(step, published):
    """k 0.5, h 5: 10.4 and 4.01 (NIST/SEMATECH e-Handbook 6.3.2.3, Montgomery; from memory)."""
    rng = np.random.default_rng(1)
    lengths = [run_length(rng, step, known=True) for _ in range(400)]
    assert np.mean(lengths) == pytest.approx(published, abs=4.0 * np.std(lengths) / 20.0)


def test_what_does_not_drift_alarms_no_more_often_than_stated():
    """One false alarm in 465 cuts: in 60 runs of 150 cuts that is 16.5 runs with one; 4 standard deviations are 14."""
    rng = np.random.default_rng(2)
    alarmed = sum(bool((cusum(deviates(rng.normal(5.0, 0.3, 150)), SLACK) > LIMIT).any()) for _ in range(60))
    assert alarmed <= 31


def test_deviates_are_standard_normal_though_mean_and_scatter_are_unknown():
    """Hawkins 1987: independent, of mean 0 and variance 1; 4 standard errors."""
    rng = np.random.default_rng(3)
    values = np.array([deviates(rng.normal(7.0, 0.1, 12))[2:] for _ in range(800)])
    assert abs(values.mean()) < 4.0 / np.sqrt(values.size)
    assert abs(values.var() - 1.0) < 4.0 * np.sqrt(2.0 / values.size)
    assert abs(np.corrcoef(values[:, -2], values[:, -1])[0, 1]) < 4.0 / np.sqrt(800)


@pytest.mark.parametrize("per_cut", [0.05, -0.05, 0.2])
def test_a_creep_is_noticed_and_its_pace_told(per_cut):
    """Degrees a cut, beside a hand's 0.05 degrees."""
    rng = np.random.default_rng(4)
    tilts = rng.normal(0.3, 0.05, 6).tolist()
    found = None
    while found is None and len(tilts) < 20:
        tilts.append(0.3 + per_cut * (len(tilts) - 5) + rng.normal(0.0, 0.05))
        found = drift_of(tilts)
    assert found is not None
    assert found.per_cut == pytest.approx(per_cut, abs=0.036)  # 3 standard errors of the slope of 6 cuts
    assert len(tilts) <= 14


@pytest.mark.parametrize(
    "values",
    [[], [1.0], [1.0, 9.0], [0.1, -0.1] * 10, [0.0] * 5 + [3.0] + [0.0] * 3, [0.0, 0.0, 0.0, 0.01]],
)
def test_no_drift(values):
    """The fourth: a single wild cut."""
    assert drift_of(values, finest=0.02) is None
