"""A gauge study from readings: drawn units, whose spreads are known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from projector.gauge.study import GaugeError, Look, SelfStudy, study_of
from tests.projector.drawn import drawn_event, expected
from vision.statistics.gauge import Grade

SHAPE = expected("slant(3 1/2 in, 2 in, 45 deg, right)")


def looks(
    units: int = 10,
    people: int = 1,
    rounds: int = 3,
    own_mm: float = 0.02,
    unit_mm: float = 0.3,
    person_mm: float = 0.0,
) -> list[Look]:
    """One unit a picture, in the fixed order; whoever measures lays it about the same way."""
    rng = np.random.default_rng(4)
    true, by = rng.normal(0.0, unit_mm, units), rng.normal(0.0, person_mm, people)
    found = []
    for p in range(people):
        for r in range(rounds):
            for u in range(units):
                event = drawn_event(
                    SHAPE, wider_mm=true[u] + by[p] + rng.normal(0.0, own_mm), turn_rad=rng.normal(0.0, 0.2)
                )
                found.append(Look(f"shot_{p}{r}{u}.png", (event,)))
    return found


def width_of(study: SelfStudy) -> Any:
    return next(one for one in study.gauged if one.dimension.name == "cut edge to cut edge")


def test_repeatability_of_one_person():
    """0.02 mm from 20 degrees of freedom: within four of its standard errors, 11 % of a standard deviation each."""
    study = study_of(looks(), SHAPE, 3)
    width = width_of(study)
    assert (study.people, study.rounds, study.numbers) == (1, 3, tuple(range(1, 11)))
    assert width.study.repeatability == pytest.approx(0.02, rel=4 / math.sqrt(2 * 20))
    assert width.study.reproducibility is None
    assert width.percent_of_tolerance == pytest.approx(100 * 6 * width.study.repeatability / (2 * 25.4 / 32))
    assert width.grade is Grade.GOOD or width.percent_of_tolerance >= 10.0
    assert width.u == pytest.approx(0.05)


def test_people_who_differ_are_told():
    study = study_of(looks(people=3, person_mm=0.5), SHAPE, 3, people=3)
    width = width_of(study)
    assert width.study.repeatability < 0.04
    assert width.study.reproducibility > 0.1
    assert width.grade is Grade.POOR
    assert study.worst.percent_of_tolerance >= width.percent_of_tolerance


def test_numbered_pictures_come_in_any_order():
    in_order = looks(units=4, people=2, rounds=2)
    names = [f"u{i % 4 + 1}-R{i // 4 % 2 + 1}_person {i // 8 + 1}.jpg" for i in range(16)]
    numbered = [Look(f"/some/u9/{name}", look.units) for name, look in zip(names, in_order, strict=True)]
    shuffled = [numbered[i] for i in np.random.default_rng(1).permutation(16)]
    found = [width_of(study_of(one, SHAPE, 2, 2)).readings for one in (in_order, shuffled)]
    assert np.array_equal(*found)


def test_units_spread_on_the_mat_are_known_by_their_place():
    rng = np.random.default_rng(2)
    places = [(200.0 + 150.0 * (i % 4), 150.0 + 200.0 * (i // 4)) for i in range(8)]
    true, spread = rng.normal(0.0, 0.3, 8), list[Look]()
    orders = [rng.permutation(8) for _ in range(3)]
    for r, order in enumerate(orders):
        events = [
            drawn_event(SHAPE, wider_mm=true[u], at_mm=tuple(np.array(places[u]) + rng.normal(0, 10, 2))) for u in order
        ]
        spread.append(Look(f"round {r + 1}", tuple(events)))
    readings = width_of(study_of(spread, SHAPE, 3)).readings
    assert readings[:, 0, :] == pytest.approx(np.repeat((50.8 + true[orders[0]])[:, None], 3, axis=1), abs=1e-3)


def test_a_square_laid_the_same_way_round_keeps_its_sides_apart():
    """Turned to and fro about where the numbers change by themselves: widths of 50.8 and 51.8 stay what they are."""
    square = expected("square(2 in)")
    turns = [0.05, -0.05, 0.05, -0.05]
    found = [Look(f"{i}", (drawn_event(square, wider_mm=1.0, turn_rad=turn),)) for i, turn in enumerate(turns)]
    study = study_of(found, square, 4)
    widths = [one.readings[0, 0] for one in study.gauged if one.dimension.kind == "width"]
    assert [float(np.ptp(one)) for one in widths] == pytest.approx([0.0, 0.0], abs=1e-3)
    assert sorted(float(one[0]) for one in widths) == pytest.approx([50.8, 51.8], abs=1e-3)


def test_a_unit_that_was_not_seen_once_is_left_out_and_told():
    shown = looks(units=5)
    shown[7] = Look(shown[7].name, ({**shown[7].units[0], "verdict": "look_again"},))
    study = study_of(shown, SHAPE, 3)
    assert (study.numbers, study.left_out) == ((1, 2, 4, 5), ("unit 3: round 2, look again",))


@pytest.mark.parametrize(
    ("shown", "rounds", "people", "line"),
    [
        ([], 3, 1, "nothing was measured"),
        (looks(units=5)[:14], 3, 1, "14 readings are no whole number of units in 3 rounds"),
        (looks(units=2), 1, 1, "two rounds or more"),
        ([Look("a", ()), *looks(units=2)], 3, 1, "a shows 0 units, others 1"),
        ([Look("a", looks(units=1)[0].units * 2)] * 2, 3, 1, "3 pictures of all units were expected, 2 came"),
        ([Look("a", looks(units=1)[0].units * 2)] * 3, 3, 1, "cannot be told which unit"),
        ([Look(f"u1_r{r}.png", look.units) for r, look in zip((1, 1, 2), looks(units=1), strict=True)], 3, 1, "twice"),
        ([Look(f"u1_p{i}_r1.png", look.units) for i, look in enumerate(looks(units=1))], 3, 1, "3 came"),
        ([Look("a", ({"event": "unit"},))] * 2, 2, 1, "no unit was measured every time"),
    ],
)
def test_what_makes_no_study_is_one_line(shown, rounds, people, line):
    with pytest.raises(GaugeError, match=line) as caught:
        study_of(shown, SHAPE, rounds, people)
    assert "; " in str(caught.value)
    assert "\n" not in str(caught.value)
