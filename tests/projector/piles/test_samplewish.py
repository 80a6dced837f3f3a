"""A sample of a pile as the person writes it, and what comes of it. Plans: MIL-STD-105E, level II."""

from __future__ import annotations

import pytest

from projector.piles.samplewish import SampleError, SampleWish, sample_of, sample_wish


def test_the_plan_of_the_standard_is_told_with_its_draw() -> None:
    sample = sample_of(sample_wish("aql=4.0, seed=7"), 60)  # letter E: 13, accept 1
    assert (sample.plan.letter, len(sample.numbers), sample.plan.accept) == ("E", 13, 1)
    assert sample.numbers == sample_of(SampleWish(4.0, "II", 7), 60).numbers
    assert "measure 13 of these 60, drawn at random: if 1 or fewer do not fit take the pile" in sample.words()
    assert f"drawn (seed 7): {', '.join(map(str, sample.numbers))}" in sample.words()
    assert sample.keys()["numbers"] == list(sample.numbers)


def test_without_a_seed_any_is_taken_and_told() -> None:
    samples = [sample_of(sample_wish("aql=4"), 60) for _ in range(20)]
    assert len({sample.seed for sample in samples}) > 1
    assert all(f"seed {sample.seed}" in sample.words() for sample in samples)


@pytest.mark.parametrize(
    ("verdicts", "outcome"),
    [
        ({"fits": 12}, "go_on"),
        ({"fits": 12, "short": 1}, "accept"),
        ({"fits": 13}, "accept"),
        ({"fits": 11, "short": 1, "close": 1}, "reject"),
        ({"trim": 2}, "reject"),
        ({}, "go_on"),
    ],
)
def test_what_comes_of_it(verdicts: dict[str, int], outcome: str) -> None:
    """13 of 60, one may be bad."""
    assert sample_of(SampleWish(4.0, "II", 1), 60).outcome(verdicts)[0] == outcome


def test_a_small_pile_is_measured_whole() -> None:
    sample = sample_of(SampleWish(1.0, "II", 1), 8)
    assert sample.words() == "measure all 8"
    assert sample.outcome({"fits": 6, "short": 2})[0] == "measured_all"


@pytest.mark.parametrize(
    "text", ["", "2.5", "aql=3", "aql=x", "aql=2.5,aql=4", "aql=2.5,level=S-1", "aql=2.5,seed=-1", "aql=2.5,size=4"]
)
def test_what_does_not_fit_is_one_line(text: str) -> None:
    with pytest.raises(SampleError, match="; ") as caught:
        sample_wish(text)
    assert "\n" not in str(caught.value)


def test_a_pile_of_one_is_no_pile_to_draw_from() -> None:
    with pytest.raises(SampleError, match="two units"):
        sample_of(SampleWish(4.0, "II", 1), 1)
