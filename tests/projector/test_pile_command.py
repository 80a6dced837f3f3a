"""`pile` between its devices: what it tells of run charts and samples. Devices and the loop at them are stand-ins."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from projector.commands import main, ready
from projector.commands import pile as command
from projector.commands.sitting import sitting_of
from projector.piecing.planreading import plan_text
from projector.piles.piling import Piled
from projector.table.clock import Clock
from projector.telling.events import Teller
from tests.projector.drawn import drawn_event
from tests.projector.drawnrig import drawn_rig
from tests.projector.reporting.sittings import nine_patch
from vision.comparing.expected import ExpectedShape

NAME = nine_patch().units[0].name


LEFT = 4  # a pile of so many is left before its end
begun: list[int] = []  # how many units each pile went on from


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[int | None]:
    """A table where every unit of a pile is judged at once: the cuts by turns 0.1 mm off, every fifth 2 mm too wide.

    What comes back holds how many units the loop was asked for.
    """
    begun.clear()
    rig, asked = drawn_rig(tmp_path / "rig.json"), list[int | None]()
    (tmp_path / "plan.toml").write_text(plan_text(nine_patch()), encoding="utf-8")

    @contextmanager
    def opened(args: Any, clock: Clock, teller: Teller) -> Iterator[Any]:
        yield SimpleNamespace(teller=teller)

    def judged(
        bench: Any, expected: ExpectedShape, sitting: Any, wanted: int | None, before: Any, _hand: str, runs: Any
    ) -> Piled:
        asked.append(wanted)
        begun.append(len(before))
        for i in range(wanted or 3):
            wide = 2.0 if i % 5 == 4 else 0.1 * (-1) ** i
            event = drawn_event(expected, wider_mm=wide) | {"name": expected.name}
            bench.journal.keep(bench.session, event, datetime.now().astimezone())
            for told in (event, *runs.hears(event)):
                bench.table.teller.pass_on(told)
        return Piled((), stopped=wanted == LEFT)

    for name, stand_in in {
        "opened": opened,
        "pile": judged,
        "rig_for_light": lambda path: rig,
        "ready": lambda args, table, rig, *others: (rig, sitting_of(args)),
        "board_of": lambda *words: None,
    }.items():
        monkeypatch.setattr(command, name, stand_in)
    return asked


def run(folder: Path, *words: object) -> int:
    given = (
        "pile",
        folder / "plan.toml",
        "--unit",
        NAME,
        "--rig",
        folder / "rig.json",
        "--records",
        folder / "j.sqlite",
    )
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in (*given, "--camera", "0", "--display", "0", *words, "--json")])
    return int(end.value.code or 0)


def test_run_charts_go_on_and_the_summary_has_them(
    table: list[int | None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, "--count", "12") == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert table == [12]
    width = next(one for one in told[-1]["dimensions"] if one["name"] == "cut edge to cut edge")
    assert (told[-1]["event"], width["count"]) == ("summary", 12)
    assert {"lower", "upper", "cpk"} <= width.keys()
    assert all(one["number"] >= 8 for one in told if one.get("what") == "run_chart")


def test_a_sample_is_drawn_told_and_decided(
    table: list[int | None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """60 units at 4 %: 13 are measured, one may be bad; two of the thirteen are."""
    assert run(tmp_path, "--count", "60", "--sample", "aql=4,seed=7") == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    first, last = (one for one in told if one.get("what") == "sample")
    assert table == [13]
    assert len(first["numbers"]) == 13
    assert (last["outcome"], last["numbers"]) == ("reject", first["numbers"])
    assert "2 of 13 do not surely fit" in last["words"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--sample", "aql=4"), "say --count N"),
        (("--count", "60", "--sample", "aql=3"), "no limit of the standard"),
        (("--count", "60", "--sample", "aql=4", "--resume"), "say its seed too"),
        (("--count", "1", "--sample", "aql=4"), "two units or more"),
    ],
)
def test_a_sample_that_cannot_be_is_one_line(
    words: tuple[str, ...], says: str, table: list[int | None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, *words) == 2
    assert says in capsys.readouterr().err
    assert table == []


@pytest.mark.parametrize(
    ("words", "answer", "asks", "went_on"),
    [
        ((), True, 1, [0, 4]),
        ((), False, 1, [0, 0]),
        ((), None, 1, [0]),
        (("--resume",), None, 0, [0, 4]),
        (("--anew",), None, 0, [0, 0]),
    ],
)
def test_a_pile_that_was_left_is_offered_to_be_gone_on_with(
    words: tuple[str, ...],
    answer: bool | None,
    asks: int,
    went_on: list[int],
    table: list[int | None],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[object] = []

    def goes_on(*told: object, **counts: int) -> bool | None:
        asked.append(counts)
        return answer

    monkeypatch.setattr(ready, "goes_on", goes_on)
    run(tmp_path, "--count", str(LEFT))
    run(tmp_path, "--count", "6", *words)
    assert (len(asked), begun) == (asks, went_on)
    assert asked in ([], [{"n": LEFT}])


def test_without_a_pile_that_was_left_resume_begins_one(
    table: list[int | None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, "--count", "2", "--resume") == 0
    assert begun == [0]
    assert "nothing_left" in capsys.readouterr().out
