"""What a report comes to, over several sessions: drawn units whose deviations are known, figures worked by hand."""

from __future__ import annotations

from datetime import timedelta
from functools import partial
from typing import Any

import numpy as np
import pytest

from projector.guide.units.state import wanted_of
from projector.reporting.contents import Part, Sitting, measured, part_of
from projector.reporting.days import day_table
from projector.reporting.figures import between_words, doubt_words, planned_words
from projector.reporting.inshort import in_short
from projector.reporting.timechart import time_chart
from projector.reporting.wandering import wander_of, wander_words
from projector.telling.plansaid import shape_of
from tests.projector.drawn import drawn_event, expected
from tests.projector.reporting.sittings import BEGUN, nine_patch

PLAN = nine_patch()
SHAPE = wanted_of(PLAN, PLAN.units[0])
NAME = PLAN.units[0].name
CUTS = f"{NAME}, cut edge to cut edge"


def part(sessions: list[list[float]], more: dict[int, dict[str, Any]] | None = None, command: str = "pile") -> Part:
    """A session a list, a unit a figure: how far its cut edges are too wide, mm. `more`: keys of some units' events."""
    units, n = [], 0
    for session, offs in enumerate(sessions, 1):
        for off in offs:
            n += 1
            event = drawn_event(SHAPE, wider_mm=off) | {"name": NAME} | (more or {}).get(n, {})
            at = BEGUN + timedelta(days=session, minutes=n)
            told = (session, n, at, NAME, event["verdict"], event)
            units.append(measured(PLAN, partial(shape_of, PLAN), *told, anew=command == "pile"))
    sittings = [Sitting(i, BEGUN + timedelta(days=i), None, command, "") for i in range(1, len(sessions) + 1)]
    return part_of(PLAN, "a plan", sittings, units)


def said(of: Part) -> list[tuple[str, str]]:
    return [(line.way, line.words) for line in in_short(of)]


def steady(count: int, about: float = 0.0, seed: int = 1) -> list[float]:
    """Of exactly this mean, 0.06 mm about it."""
    off = np.random.default_rng(seed).normal(0.0, 0.06, count)
    return (off - off.mean() + about).tolist()


def test_a_good_pile_is_one_line_and_says_how_good() -> None:
    ((way, words),) = said(part([steady(30)]))
    assert (way, words) == ("good", f"{NAME}: at most 1 of 1000 come out of its limits")


def test_what_is_to_be_done_stands_first_with_its_numbers() -> None:
    unseen = {4: {"verdict": "look_again"}, 5: {"verdict": "turned_over"}}
    lines = said(part([[*steady(10), 1.5, -1.5, 1.5]], unseen))
    assert [line for line in lines if line[0] == "do"] == [
        ("do", f"trim 2 of {NAME}: numbers 9, 11"),  # two of those before them have no number
        ("do", f"cut again 1 of {NAME}: number 10"),
        ("do", f"lay face up and measure again 1 of {NAME}: entry 5 of session 1"),
        ("do", f"measure again 1 of {NAME}: entry 4 of session 1"),
    ]
    assert [way for way, _ in lines] == sorted((way for way, _ in lines), key=["do", "look", "good"].index)


def test_at_the_guided_cut_a_trim_was_led_at_once() -> None:
    assert all(way != "do" for way, _ in said(part([[*steady(10), 1.5]], {11: {"counts": False}}, "cut")))


def test_a_mean_that_is_off_is_said_where_it_matters_and_is_sure() -> None:
    """A quarter of 1/32 in is 0.2 mm; of three units that scatter by 0.3 mm nothing is sure."""
    assert ("look", f"{CUTS}: too wide in the mean, +1/64 in (+0.30 mm)") in said(part([steady(20, 0.3)]))
    assert not any("in the mean" in words for _, words in said(part([steady(20, 0.15)])))
    assert not any("in the mean" in words for _, words in said(part([[0.0, 0.3, 0.6]])))


def test_a_session_that_differs_is_named_and_marked() -> None:
    of = part([steady(12, 0.0, 1), steady(12, 0.0, 2), steady(12, 0.5, 3)])
    assert ("look", f"{CUTS}: session 3 differs, +1/64 in (+0.33 mm) from the mean of all") in said(of)
    days = day_table(of)
    assert days is not None
    assert [one for one, _ in days.sessions] == [1, 2, 3]
    cells = dict(days.rows)[CUTS]
    told = [cell.words.split(" ± ")[0] for cell in cells if cell is not None]
    assert told == ["0.000", "0.000", "+0.020"]  # inches: 0.5 mm
    assert [cell.differs for cell in cells if cell is not None] == [True, True, True]  # 0.17 mm of 0.02 mm
    assert day_table(part([steady(12)])) is None


def test_a_slow_change_that_no_run_rule_needs_is_seen_by_the_weighted_mean() -> None:
    still = wander_of(part([steady(40)]))
    assert still is not None
    assert wander_words(part([steady(40)]), still) == ["the widths wander no more than by chance"]
    of = part([steady(20), steady(20, 0.25, 2)])
    wander = wander_of(of)
    assert wander is not None
    told = wander_words(of, wander)
    assert any(words.startswith("wider than chance would have it from") and "session 2" in words for words in told)
    chart = time_chart(of, wander)
    assert chart is not None
    assert "wider than chance" in chart


def test_one_slip_and_another_kind_are_no_drift() -> None:
    off = steady(40)
    off[20] = 1.5
    of = part([off])
    wander = wander_of(of)
    assert wander is not None
    assert wander.out == ()
    assert wander_of(part([[0.0]])) is None
    few = wander_of(part([[0.0, 0.1]]))
    assert few is not None
    assert wander_words(of, few) == ["too few units to tell what is chance (at least 8)"]


def test_between_what_most_lie_is_said_in_the_persons_unit() -> None:
    """Ten units by turns 0.1 mm over and under: mean 0, deviation 0.1054, factor 3.382 (Howe): 0.36 mm."""
    one = next(chart for chart in part([[0.1, -0.1] * 5]).kinds[0].charts if chart.dimension.places == (1, 3))
    assert one.most is not None
    assert between_words(one.most, one.dimension, metric=True) == "−0.36 to +0.36 mm"
    assert between_words(one.most, one.dimension, metric=False) == "−1/64 to +1/64 in (−0.36 to +0.36 mm)"
    assert planned_words(one.dimension, metric=True) == "114.30 mm ± 0.79 mm"


def test_squares_of_a_pile_have_one_width_and_those_of_a_cut_two() -> None:
    square = expected("square(2 in)")
    for anew, names in (
        (True, {"side to side, either way", "any corner"}),
        (False, {"corner 0 or 2", "corner 1 or 3"}),
    ):
        event = drawn_event(square)
        unit = measured(None, lambda name: square, 1, 1, BEGUN, "square(2 in)", "fits", event, anew)
        found = {one.name for one, _ in unit.readings}
        assert found == names if anew else names < found
        assert len(unit.readings) == 6


@pytest.mark.parametrize("count", [1, 2, 3])
def test_of_few_units_nothing_is_said_that_they_do_not_tell(count: int) -> None:
    of = part([[0.1 * i for i in range(count)]])
    assert all(chart.most is None for kind in of.kinds for chart in kind.charts if chart.spread.count < 4)
    assert said(of) == []


def test_what_the_figures_do_not_show_is_said() -> None:
    """Drawn units are measured to u 0.05 mm; two strips of ten, 0.4 mm apart, hang together."""

    def told(offs: list[float]) -> list[str]:
        charts = part([offs]).kinds[0].charts
        return doubt_words(next(one for one in charts if one.dimension.places == (1, 3)))

    assert told(steady(30)) == []
    assert [words.split(":")[0] for words in told([0.01, 0.02] * 4)] == [
        "these differ less than one measurement is sure to"
    ]
    (words,) = told([*steady(10), *steady(10, 0.4, 2)])
    assert words.startswith("neighbours are alike (correlation 0.")
