"""What a run chart calls while units come in: drawn units, their widths known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from projector.runwatch import Run, RunWatch
from projector.sentences import sentence
from tests.projector.drawn import drawn_event, expected
from vision.statistics.runchart import limits_of

SHAPE = expected("slant(3 1/2 in, 2 in, 45 deg, right)")
CUTS = "cut edge to cut edge"


def watched(offs_mm: list[float], before: int = 0) -> tuple[RunWatch, list[dict[str, Any]]]:
    """The watch after units so much too wide, and what it told; the first `before` were measured in another sitting."""
    told: list[dict[str, Any]] = []
    events = [drawn_event(SHAPE, wider_mm=off, turn_rad=0.3) for off in offs_mm]
    watch = RunWatch(SHAPE, lambda event, **keys: told.append({"event": event, **keys}), events[:before])
    for event in events[before:]:
        watch.hears(event)
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
    watch = RunWatch(square, lambda event, **keys: told.append({"event": event, **keys}))
    for i in range(12):
        off = (0.0, 0.3, 0.0, 0.0) if i < 11 else (0.0, 3.0, 0.0, 0.0)
        watch.hears(drawn_event(square, off_mm=off, turn_rad=i * math.pi / 2.0 + 0.1))
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


def test_limits_from_sums_are_those_of_all_values() -> None:
    values = (60.0 + np.random.default_rng(4).normal(0.0, 0.1, 500)).tolist()
    run = Run()
    for i, value in enumerate(values, 1):
        run.add(value, i)
        if i >= 2:
            want = limits_of(values[:i])
            assert (run.limits.centre, run.limits.sigma) == pytest.approx((want.centre, want.sigma), abs=1e-9)
