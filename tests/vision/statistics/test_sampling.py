"""Sampling plans against the standard's tables."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.vision.statistics.published import rows_of
from vision.statistics.sampling import LETTERS, LEVELS, LIMITS, PILES, SIZES, SamplingPlan, _cell, drawn, sampling_plan


def test_code_letters():
    # MIL-STD-105E table I = ISO 2859-1 table 1, general inspection levels
    rows = rows_of("sampling_code_letters.csv")
    for level, letters in LEVELS.items():
        assert "".join(row[level] for row in rows) == letters
    assert [int(row["lot_size"].split("-")[1]) for row in rows[:-1]] == list(PILES)


def test_single_sampling_normal_inspection():
    # MIL-STD-105E table II-A; A at 10 % is left out: the printed arrow leads to no plan above it
    arrows = {"v": "down", "^": "up"}
    for row in rows_of("sampling_single_normal_reject_numbers.csv"):
        place = LETTERS.index(row["letter"])
        assert SIZES[place] == int(row["n"])
        for column, limit in enumerate(LIMITS):
            printed = row.get(f"AQL_{limit:g}") or row.get(f"AQL_{limit}")
            if printed is not None and (row["letter"], limit) != ("A", 10.0):
                assert _cell(place, column) == (arrows[printed] if printed in arrows else int(printed) - 1)


@pytest.mark.parametrize(
    ("pile", "limit", "letter", "size", "accept"),
    [
        (60, 4.0, "E", 13, 1),
        (200, 2.5, "G", 32, 2),
        (40, 2.5, "C", 5, 0),
        (100, 1.0, "E", 13, 0),
        (100, 1.5, "G", 32, 1),
        (400, 1.0, "H", 50, 1),
        (1000, 2.5, "J", 80, 5),
    ],
)
def test_plans_after_arrows(pile, limit, letter, size, accept):
    # MIL-STD-105E, level II
    plan = sampling_plan(pile, limit)
    assert (plan.letter, plan.size, plan.accept, plan.reject) == (letter, size, accept, accept + 1)


@pytest.mark.parametrize(
    ("pile", "limit", "bad", "taken"),
    [(100, 1.0, 0.05, 0.5133), (400, 1.0, 0.01, 0.9106), (1000, 1.0, 0.01, 0.9534), (2000, 1.0, 0.01, 0.9626)],
)
def test_how_probable_a_pile_is_taken(pile, limit, bad, taken):
    # binomial: 13 units and none bad at 5 %; 50, 80 and 125 units and at most 1, 2 and 3 bad at 1 %
    assert sampling_plan(pile, limit).taken(bad) == pytest.approx(taken, abs=5e-5)


def test_operating_characteristic():
    # NIST/SEMATECH e-Handbook 6.2.3.2: 52 units and at most 3 bad, of piles with 1 to 12 % bad (binomial, recomputed)
    plan = SamplingPlan(1000, 2.5, "", 52, 3)
    wanted = [0.998, 0.980, 0.930, 0.846, 0.738, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115]
    assert [plan.taken(percent / 100) for percent in range(1, 13)] == pytest.approx(wanted, abs=5e-4)


def test_every_pile_and_limit_has_a_plan():
    for pile in (2, 8, 9, 500, 501, 600_000):
        for limit in LIMITS:
            plan = sampling_plan(pile, limit)
            assert plan.size in SIZES
            assert plan.accept >= 0


def test_a_small_pile_is_measured_whole():
    plan = sampling_plan(8, 1.0)
    assert (plan.size, plan.measures_all, plan.words()) == (13, True, "measure all 8")


@pytest.mark.parametrize(("pile", "limit"), [(1, 1.0), (100, 3.0)])
def test_what_the_standard_does_not_have_is_refused(pile, limit):
    with pytest.raises(ValueError, match=r"two units|no limit"):
        sampling_plan(pile, limit)


def test_units_are_drawn_evenly_and_alike_by_the_same_seed():
    assert drawn(60, 13, 7) == drawn(60, 13, 7) != drawn(60, 13, 8)
    chosen = drawn(60, 13, 7)
    assert len(set(chosen)) == 13
    assert (min(chosen) >= 1, max(chosen) <= 60) == (True, True)
    counts = Counter(i for seed in range(600) for i in drawn(10, 3, seed))
    chi2 = sum((counts[i] - 180) ** 2 / 180 for i in range(1, 11))
    assert chi2 < 27.9  # 99.9 % of chi-squared with 9 degrees of freedom, which draws without return stay under
