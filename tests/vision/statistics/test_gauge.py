"""Gauge studies against published ones."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.vision.statistics.published import readings_of
from vision.statistics.gauge import Grade, anova, by_range, by_variance, grade_of


def test_analysis_of_variance_of_ten_parts_three_people_three_rounds():
    # AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III-B; figures as in several public test suites
    readings = readings_of("grr_10x3x3.csv")
    rows = anova(readings)
    found = [(row.sum_of_squares, row.freedom) for row in (rows.people, rows.parts, rows.interaction, rows.equipment)]
    wanted = [(3.167262, 2), (88.361934, 9), (0.358982, 18), (2.758933, 60)]
    for (squares, freedom), (squares_wanted, freedom_wanted) in zip(found, wanted, strict=True):
        assert squares == pytest.approx(squares_wanted, abs=5e-7)
        assert freedom == freedom_wanted
    assert rows.people.mean_square / rows.equipment.mean_square == pytest.approx(34.440, abs=5e-4)
    assert rows.parts.mean_square / rows.equipment.mean_square == pytest.approx(213.517, abs=5e-4)
    assert rows.interaction_by_chance == pytest.approx(0.9741, abs=5e-5)


def test_study_of_ten_parts_three_people_three_rounds():
    # the same; standard deviations after pooling, percentages of the study variation, categories truncated
    study = by_variance(readings_of("grr_10x3x3.csv"))
    assert study.repeatability == pytest.approx(0.199933, abs=5e-7)
    assert study.reproducibility == pytest.approx(0.226838, abs=5e-7)
    assert study.interaction == 0.0
    assert study.gauge == pytest.approx(0.302372, abs=5e-7)
    assert study.part == pytest.approx(1.042327, abs=5e-7)
    assert study.total == pytest.approx(1.085300, abs=5e-7)
    assert study.percent_of_total == pytest.approx(27.86, abs=0.005)
    assert study.freedom == 78
    assert study.categories == 4
    assert grade_of(study.percent_of_total) is Grade.PERHAPS


def test_averages_and_ranges_of_the_same():
    # the manual's other way, printed from rounded intermediate values: 3e-4
    study = by_range(readings_of("grr_10x3x3.csv"))
    found = [study.repeatability, study.reproducibility, study.gauge, study.part, study.total]
    assert found == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], abs=3e-4)
    assert study.percent_of_total == pytest.approx(26.68, abs=0.01)
    assert study.categories == 5


def test_study_of_three_parts_three_people_three_rounds():
    # R package SixSigma, ss.data.rr, as pinned in its own tests (test-ss-rr.R)
    readings = readings_of("grr_3x3x3.csv")
    rows, study = anova(readings), by_variance(readings)
    squares = [row.sum_of_squares for row in (rows.parts, rows.people, rows.interaction, rows.equipment)]
    assert squares == pytest.approx([1.2007, 0.0529, 0.0834, 0.3854], abs=5e-5)
    assert rows.parts.mean_square / rows.interaction.mean_square == pytest.approx(28.797, abs=5e-4)
    assert rows.people.mean_square / rows.interaction.mean_square == pytest.approx(1.270, abs=5e-4)
    assert rows.interaction_by_chance == pytest.approx(0.44619, abs=5e-6)
    found = [study.gauge, study.repeatability, study.reproducibility, study.part, study.total]
    assert found == pytest.approx([0.14792656, 0.14597518, 0.02394813, 0.25365123, 0.29363449], abs=5e-9)
    assert study.percent_of_total == pytest.approx(50.38, abs=0.005)
    assert study.percent_of_tolerance(0.1) == pytest.approx(887.56, abs=0.005)
    assert study.categories == 2


def test_one_person_is_repeatability_alone():
    """One-way analysis of variance by hand: two parts, read 1, 3 and 5, 9."""
    study = by_variance(np.array([[[1.0, 3.0]], [[5.0, 9.0]]]))
    assert study.reproducibility is None
    assert study.repeatability == pytest.approx(math.sqrt(5.0))  # (2 + 8) / 2
    assert study.part == pytest.approx(math.sqrt((25.0 - 5.0) / 2.0))  # means 2 and 7: mean square 2 * 12.5
    assert study.gauge == study.repeatability
    assert study.freedom == 2


def test_one_part_tells_repeatability_and_nothing_of_parts():
    study = by_variance(np.array([[[1.0, 2.0, 3.0]]]))
    assert (study.repeatability, study.part, study.total, study.categories) == (1.0, None, None, None)


def test_an_interaction_that_is_there_is_not_pooled():
    """Two people who err oppositely on two parts: by hand, MS interaction 8, equipment 0.02."""
    readings = np.array([[[0.9, 1.1], [-0.9, -1.1]], [[-0.9, -1.1], [0.9, 1.1]]])
    study = by_variance(readings)
    assert study.interaction == pytest.approx(math.sqrt((8.0 - 0.02) / 2.0))
    assert study.repeatability == pytest.approx(math.sqrt(0.02))
    assert (study.people_alone, study.part) == (0.0, 0.0)  # negative components


def test_ways_agree_with_the_truth_they_were_drawn_from():
    """200 studies of 10 x 3 x 3 from known spreads: mean squares within four of their standard errors.

    2 % more for ranges: their constants are right for standard deviations, not for squares.
    """
    rng = np.random.default_rng(11)
    own, people, part = 0.02, 0.015, 0.1
    for way in (by_variance, by_range):
        found = []
        for _ in range(200):
            truth = rng.normal(0, part, (10, 1, 1)) + rng.normal(0, people, (1, 3, 1))
            found.append(way(truth + rng.normal(0, own, (10, 3, 3))))
        squares = np.array([[s.repeatability**2, s.part**2] for s in found])  # people's is cut off at 0
        error = squares.std(axis=0) / math.sqrt(len(squares))
        assert np.all(np.abs(squares.mean(axis=0) - [own**2, part**2]) < 4 * error + 0.02 * np.array([own, part]) ** 2)


def test_interval_of_repeatability_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(400):
        told = by_variance(rng.normal(0.0, 1.0, (10, 1, 3))).repeatability_between(0.9)
        inside += told.low < 1.0 < told.high
    assert abs(inside / 400 - 0.9) < 4 * math.sqrt(0.9 * 0.1 / 400)


@pytest.mark.parametrize("shape", [(10, 3, 1), (0, 1, 2), (10, 3)])
def test_too_few_readings_are_refused(shape):
    with pytest.raises(ValueError, match="two rounds"):
        by_variance(np.zeros(shape))


def test_a_missing_reading_is_refused():
    with pytest.raises(ValueError, match="none missing"):
        by_variance(np.full((2, 1, 2), np.nan))
