"""What a run chart calls while units come in: drawn units, their widths known."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from projector.piles.dimensions import Dimension
from projector.piles.runwatch import Run, RunWatch
from projector.telling.sentences import sentence
from tests.projector.drawn import drawn_event, expected
from vision.statistics.runchart import limits_of

SHAPE = expected("slant(3 1/2 in, 2 in, 45 deg, right)")
WIDTH = Dimension("width", "width", (0, 2), 60.0, 0.8)
CUTS = "cut edge to cut edge"


def watched(offs_mm: list[float], before: int = 0) -> tuple[RunWatch, list[dict[str, Any]]]:
    """The watch after units so much too wide, and what it told; the first `before` were measured in another sitting."""
    told: list[dict[str, Any]] = []
    events = [drawn_event(SHAPE, wider_mm=off, turn_rad=0.3) for off in offs_mm]
    watch = RunWatch(SHAPE, events[:before])
    for event in events[before:]:
        told += watch.hears(event)
    return watch, told


def test_a_shift_is_called_once_when_it_is_there() -> None:
    steady = np.random.default_rng(9).normal(0.0, 0.1, 16).tolist()
    _, told = watched([*steady, *[0.45, 0.5, 0.42, 0.47]])
    called = [one for one in told if one["dimension"] == CUTS]
    assert called
    assert {one["calls"] for one in called} <= {"shift", "outlier"}
    assert all(one["upward"] and one["number"] > 16 for one in called)
    assert called[0]["lower"] < called[0]["mean"] < called[0]["upper"]
    assert sentence(called[0]).startswith(f"Note: {CUTS}: ")
    assert f"at number {called[0]['number']}" in sentence(called[0])


def test_nothing_is_called_of_too_few_or_of_what_is_no_unit() -> None:
    watch, told = watched([0.0] * 3 + [3.0])
    watch.hears({"event": "summary"})
    watch.hears(drawn_event(SHAPE) | {"verdict": "look_again"})
    assert told == []
    dimensions = watch.keys()["dimensions"]
    assert isinstance(dimensions, list)
    # half a turn lays the shape on itself: of its corners two at a time are not told apart
    assert [(one["name"], one["count"]) for one in dimensions] == [
        ("strip edge to strip edge", 4),
        (CUTS, 4),
        ("corner 0 or 2", 8),
        ("corner 1 or 3", 8),
    ]


def test_units_of_an_earlier_sitting_are_part_of_the_run() -> None:
    """Ten units by turns 0.1 too wide and too narrow, then one 1 mm too wide: number 11, though the first of today."""
    offs = [0.1, -0.1] * 5 + [1.0]
    for before in (0, 10):
        _, told = watched(offs, before)
        assert [(one["number"], one["calls"]) for one in told if one["dimension"] == CUTS] == [(11, "outlier")]
    assert watched(offs[10:])[1] == []


def test_the_widths_of_a_square_are_one_run_however_it_is_laid() -> None:
    """Cut 0.3 mm too wide one way and true the other; each laid down with another side towards the person."""
    square, told = expected("square(2 in)"), list[dict[str, Any]]()
    watch = RunWatch(square)
    for i in range(12):
        off = (0.0, 0.3, 0.0, 0.0) if i < 11 else (0.0, 3.0, 0.0, 0.0)
        told += watch.hears(drawn_event(square, off_mm=off, turn_rad=i * math.pi / 2.0 + 0.1))
    width, corner = watch.keys()["dimensions"]  # type: ignore[misc]
    assert (width["name"], width["count"], corner["name"], corner["count"]) == (
        *("side to side, either way", 24),
        *("any corner", 48),
    )
    assert width["mean"] == pytest.approx(50.8 + (11 * 0.3 + 3.0) / 24, abs=1e-3)
    (outlier,) = (one for one in told if one["calls"] == "outlier")
    assert (outlier["dimension"], outlier["number"]) == (width["name"], 12)


def test_the_summary_has_every_dimension_with_limits_and_capability() -> None:
    offs = [0.1, -0.1] * 5
    dimensions = watched(offs)[0].keys()["dimensions"]
    assert isinstance(dimensions, list)
    width = next(one for one in dimensions if one["name"] == CUTS)
    assert (width["planned"], width["limit"], width["count"]) == (50.8, pytest.approx(0.79375, abs=1e-4), 10)
    assert width["mean"] == pytest.approx(50.8, abs=1e-3)
    assert width["sd"] == pytest.approx(np.std(offs, ddof=1), abs=1e-3)
    assert width["upper"] - width["mean"] == pytest.approx(3 * 0.2 / 1.1284, abs=2e-3)  # moving ranges are all 0.2
    assert width["cpk"][0] == pytest.approx(0.79375 / (3 * np.std(offs, ddof=1)), abs=0.02)
    assert width["cpk"][1] < width["cpk"][0] < width["cpk"][2]


def test_a_unit_that_is_taken_back_leaves_the_run_the_limits_and_the_summary() -> None:
    offs = [0.1, -0.1] * 5 + [1.0]
    watch, told = watched([*offs, -0.1])
    assert [one["number"] for one in told if one["dimension"] == CUTS] == [11]
    assert next(one for one in watch.charts() if one.name == CUTS).call == "outlier high at number 11"
    watch.hears({"event": "seen", "what": "undone", "number": 11})
    assert watch.keys() == watched([*offs[:10], -0.1])[0].keys()
    (width,) = [one for one in watch.charts() if one.name == CUTS]
    assert (len(width.offs), width.call) == (11, "")
    assert width.offs == pytest.approx([0.1, -0.1] * 5 + [-0.1], abs=1e-3)


def test_units_of_an_earlier_sitting_cannot_be_taken_back_by_a_number_of_this_one() -> None:
    watch, _ = watched([0.1, -0.1, 0.3], before=2)
    watch.hears({"event": "seen", "what": "undone", "number": 1})
    assert watch.keys() == watched([0.1, -0.1])[0].keys()


def test_the_light_has_a_width_and_an_angle_the_one_that_comes_nearest_to_its_limits_or_was_called() -> None:
    assert watched([])[0].charts() == ()
    few = watched([0.1, 0.3])[0].charts()
    assert (few[0].name, few[0].control) == (CUTS, None)
    assert [one.limit for one in few] == pytest.approx([25.4 / 32, 0.5])
    steady, _ = watched([0.1, -0.1] * 5, before=10)
    width = steady.charts()[0]
    assert (width.name, width.call) == (CUTS, "")
    assert width.control == pytest.approx((-0.532, 0.532), abs=2e-3)  # 3 x 0.2 / 1.1284 about 0
    assert watched([0.1, -0.1] * 5 + [1.0], before=10)[0].charts()[0].call == "outlier high at number 11"
    run = Run([0.0] * 17, list(range(1, 18)), call="shift upward at number 10", called_at=10)
    assert run.recent_call
    run.add(0.0, 18)
    assert not run.recent_call  # eight units ago; the hand may have changed since


def test_limits_from_sums_are_those_of_all_values() -> None:
    values = (60.0 + np.random.default_rng(4).normal(0.0, 0.1, 500)).tolist()
    run = Run()
    for i, value in enumerate(values, 1):
        run.add(value, i)
        if i >= 2:
            want, found = limits_of(values[:i]), run.limits(WIDTH)
            assert (found.centre, found.sigma) == pytest.approx((want.centre, want.sigma), abs=1e-9)
            pooled = run.limits(replace(WIDTH, each=2))
            assert (pooled.centre, pooled.sigma) == pytest.approx((want.centre, np.std(values[:i], ddof=1)), abs=1e-9)
