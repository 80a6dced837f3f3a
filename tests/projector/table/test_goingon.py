"""A plan that was left: what its records say, and how it is offered. A made-up table; no outside source."""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path

import pytest

from projector.commands.cut import session_for
from projector.guide.carried import StripWidth
from projector.guide.sitting import USUAL
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.records.journal import Journal
from projector.records.sessions import Entry
from projector.table.goingon import carried_from
from tests.projector.table.test_opening import NOON, Room

PLAN = Plan(
    "two kinds",
    (Strip("wide", 80.0, 300.0),),
    (Unit("block", Cut("wide", 2, 50.0)), Unit("bar", Cut("wide", 1, 30.0))),
)
UNITS = [
    {"name": "block", "counts": True, "beside_mm": 0.3, "shift_mm": 0.0},
    {"name": "block", "counts": False, "verdict": "trim", "beside_mm": 0.4, "shift_mm": 0.0},
    {"name": "block", "counts": True},
    {"name": "bar", "counts": True, "beside_mm": 0.2, "shift_mm": 0.25},
]


def entries(*events: dict[str, object], undone: Sequence[int] = ()) -> list[Entry]:
    return [
        Entry(
            n, str(one["name"]), str(one.get("verdict")), json.dumps(one), NOON, str(one.get("kind", "unit")),
            NOON if n in undone else None,
        )
        for n, one in enumerate(events, 1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("undone", "made", "numbers", "beside_mm", "shift_mm"),
    [
        ((), (2, 1), [1, 2, 3, 4], (0.3, 0.4, 0.2), 0.25),
        ((4,), (2, 0), [1, 2, 3], (0.3, 0.4), 0.0),
        ((1, 2, 3, 4), (0, 0), [], (), 0.0),
    ],
)
def test_what_stands_is_carried_on_and_what_was_taken_back_is_not(
    undone: tuple[int, ...], made: tuple[int, ...], numbers: list[int], beside_mm: tuple[float, ...], shift_mm: float
) -> None:
    found = carried_from(PLAN, entries(*UNITS, undone=undone))
    assert found.made == made
    assert [one.entry for one in found.kept] == numbers
    assert (found.blade.beside_mm, found.blade.shift_mm) == (beside_mm, shift_mm)


def test_records_of_an_earlier_version_count_and_what_is_not_the_plan_s_is_left_out() -> None:
    found = carried_from(PLAN, entries({"name": "block"}, {"name": "something else"}))
    assert found.made == (1, 0)


def test_strips_from_yardage_are_carried_on() -> None:
    strip = {"name": "set", "kind": "strip", "strip": "set", "band": 1, "fabric": "sand"}
    sizes = {"width_mm": 63.4, "width_u_mm": 0.05, "at_once": 2}
    short = {"verdict": "short"}
    found = carried_from(PLAN, entries(strip | sizes, strip | sizes | short, strip))
    assert found.strips == (StripWidth("set", 1, "sand", 63.4, 0.05, 2), StripWidth("set", 1, "sand", 63.4, 0.05, 0))


@pytest.mark.parametrize(
    ("said", "pressed", "session", "made", "asked"),
    [
        ({}, ["x", "space"], 1, (1, 0), True),
        ({}, ["b"], 2, (), True),
        ({}, ["q"], None, None, True),
        ({"resume": True}, [], 1, (1, 0), False),
        ({"anew": True}, [], 2, (), False),
    ],
)
def test_a_plan_that_was_left_is_offered_to_be_gone_on_with(
    tmp_path: Path,
    said: dict[str, bool],
    pressed: list[str],
    session: int | None,
    made: tuple[int, ...] | None,
    asked: bool,
) -> None:
    room = Room(pressed=pressed)
    args = Namespace(**({"resume": False, "anew": False, "rig": "rig.json"} | said))
    with Journal.open(tmp_path / "records") as journal:
        journal.begin(NOON, "cut", plan_text(PLAN), "rig.json")
        journal.record(1, "block", "fits", json.dumps(UNITS[0]), NOON)
    with Journal.open(tmp_path / "records") as journal:  # as after a crash: nothing was ended
        found = session_for(args, PLAN, journal, room.table(), room.rig(), USUAL)
        assert (found and found[0], found and found[1].made) == (session, made)
        assert bool(room.asked("ask")) is asked
        if asked:
            assert room.asked("ask")[0]["why"] == "unfinished"
            assert len(room.shown) == 1
        if session:
            journal.record(session, "block", "fits", "{}", NOON)
            assert [one.n for one in journal.records.units(session)] == ([1] if session == 2 else [1, 2])


@pytest.mark.parametrize(("resume", "refused"), [(True, ["resume"]), (False, [])])
def test_where_nothing_was_judged_nothing_is_asked(tmp_path: Path, resume: bool, refused: list[str]) -> None:
    room = Room()
    with Journal.open(tmp_path / "records") as journal:
        journal.begin(NOON, "cut", plan_text(PLAN), "rig.json")
        args = Namespace(resume=resume, anew=False, rig="rig.json")
        found = session_for(args, PLAN, journal, room.table(), room.rig(), USUAL)
        assert found is not None
        assert found[0] == 2
    assert [event["what"] for event in room.asked("refused")] == refused
    assert room.asked("ask") == []
