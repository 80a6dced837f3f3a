"""`chalkbeam records` as a person or a script meets it."""

from __future__ import annotations

import csv
import io
import json
import platform
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.records.sessions import Entry, Session
from projector.records.unsaved import Added, Unsaved
from tests.whole.process import Done, here, told_in_one_line

AT = datetime(2024, 5, 3, 9, 30, tzinfo=UTC)
HOSTILE = '=1+1"\x1b[2J<b>../../x\n;'
Run = Callable[..., Done]


@pytest.fixture
def run(address: str, capfd: pytest.CaptureFixture[str]) -> Run:
    """The command on records of two sessions; one was finished, in the other a unit was taken back."""
    with Journal.open(address) as journal:
        first = journal.begin(AT, "cut", 'name = "Harbour lights"', "rig.json")
        for verdict in ("fits", "trim", "fits"):
            line = json.dumps({"event": "unit", "widths_mm": [{"mean": 88.9}], "why": HOSTILE})
            journal.record(first, HOSTILE, verdict, line, AT)
        journal.undo(first, 3, AT)
        second = journal.begin(AT.replace(month=6), "pile", "", "rig.json")
        journal.record(second, None, "fits", "{}", AT, "strip")
        journal.end(second, AT)
    return lambda *words: here(capfd, "records", "--records", address, *words)


def ids(done: Done) -> list[int]:
    assert done.code == 0, done.err
    return [event["session"] for event in done.told("seen") if event["what"] == "session"]


def test_sessions_are_listed_and_filtered(run: Run) -> None:
    done = run("--json")
    assert ids(done) == [1, 2]
    assert done.events[0] | {"t": 0} == {
        "event": "seen",
        "t": 0,
        "what": "session",
        "session": 1,
        "host": platform.node(),
        "started": AT.isoformat(),
        "ended": None,
        "command": "cut",
        "plan": "Harbour lights",
        "rig": "rig.json",
        "units": 2,
        "verdicts": {"fits": 1, "trim": 1},
    }
    (summary,) = done.told("summary")
    assert (summary["sessions"], summary["units"], summary["verdicts"]) == (2, 2, {"fits": 1, "trim": 1})
    assert ids(run("--plan", "harbour", "--json")) == [1]
    assert ids(run("--verdict", "look again", "--json")) == []
    assert ids(run("--command", "pile", "--since", "2024-06-03", "--json")) == [2]
    assert ids(run("--until", "2024-06-02", "--json")) == [1]


def test_a_session_is_shown_with_all_that_was_kept_of_it(run: Run) -> None:
    entries = [event for event in run("1", "--json").told("seen") if event["what"] == "entry"]
    assert [(one["n"], one["kind"], one["verdict"]) for one in entries] == [
        (1, "unit", "fits"),
        (2, "unit", "trim"),
        (3, "unit", "fits"),
    ]
    assert entries[2]["undone"] == AT.isoformat()
    assert entries[0]["name"] == entries[0]["measured"]["why"] == HOSTILE
    only = [event["n"] for event in run("1", "--verdict", "fits", "--json").told("seen") if event["what"] == "entry"]
    assert only == [1]


def test_words_are_a_line_each_whatever_a_name_holds(run: Run) -> None:
    lines = run("1", "2").out.splitlines()
    where = platform.node()
    assert lines[0] == f'1: 2024-05-03 09:30, cut at {where} "Harbour lights", 2 units: 1 fits, 1 trim; not finished.'
    assert lines[1].startswith('  1: 09:30:00, unit "=1+1"�[2J<b>../../x�;": fits, =1+1')
    assert lines[3].endswith("88.90 mm wide; taken back.")
    assert lines[4] == f"2: 2024-06-03 09:30, pile at {where}, 0 units."
    assert len(lines) == 7


def test_what_is_exported_is_what_was_wanted(run: Run, tmp_path: Path) -> None:
    table, whole = tmp_path / "out" / "units.csv", tmp_path / "out" / "units.json"
    table.parent.mkdir()
    assert run("--export", table).code == 0
    rows = list(csv.DictReader(io.StringIO(table.read_bytes().decode(), newline="")))
    assert [(row["session"], row["n"], row["kind"]) for row in rows] == [
        ("1", "1", "unit"),
        ("1", "2", "unit"),
        ("1", "3", "unit"),
        ("2", "1", "strip"),
    ]
    assert rows[0]["name"].startswith("'=1+1")
    assert run("--verdict", "trim", "--export", whole).code == 0
    (session,) = json.loads(whole.read_text())["sessions"]
    assert [one["n"] for one in session["entries"]] == [2]
    assert session["entries"][0]["name"] == HOSTILE
    assert len(list(table.parent.iterdir())) == 2


def test_deleting_asks_first(run: Run, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for answer, left in (("", [1, 2]), ("no\n", [1, 2]), ("y\n", [1, 2]), ("yes\n", [2])):
        monkeypatch.setattr("sys.stdin", io.StringIO(answer))
        done = run("1", "--delete")
        assert done.code == 0
        assert "Delete 1 session with 2 units, 1 of them not finished, for good?" in done.err
        with open_records(address) as records:
            assert [session.id for session in records.sessions()] == left
    assert run("--command", "pile", "--delete", "--yes", "--json").told("summary")[0]["deleted"] == 1
    assert ids(run("--json")) == []


def test_what_could_not_be_saved_is_taken_in(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    waiting = Unsaved()
    session = Session(9, AT, "cut", 'name = "Late"', "rig.json", mark="late")
    for mark in "ab":
        waiting.add(Added(session, mark, Entry(1, "star", "fits", "{}", AT)))
    waiting.write()
    assert run("--take-in", waiting.file, "--json").told("seen")[0]["saved"] == 2
    told_in_one_line(run("--take-in", waiting.file, "--json"), "cannot be read")  # it is put away, under another name
    assert run("--take-in", f"{waiting.file}.saved", "--json").told("seen")[0]["saved"] == 2
    (late,) = run("--plan", "late", "--json").told("seen")
    assert late["units"] == 2


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--delete"], "--delete takes sessions by number or by a filter"),
        (["7"], "session 7: there is none"),
        (["2", "--plan", "harbour"], "session 2: there is none, or it is not of those that are wanted"),
        (["0"], "give a whole number from 1 up"),
        (["--since", "yesterday"], "is no day; write it like 2026-11-29"),
        (["--verdict", "good"], "is no verdict; give one of"),
        (["--export", "units.xls"], "let it end in .csv or .json"),
        (["--export", "/nowhere/units.csv"], "/nowhere/units.csv"),
        (["--take-in", "/nowhere/f"], "/nowhere/f: cannot be read"),
    ],
)
def test_what_does_not_fit_is_told_in_one_line(run: Run, words: list[str], says: str) -> None:
    told_in_one_line(run(*words, "--json"), says)


def test_records_that_are_not_there_are_told(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    told_in_one_line(here(capfd, "records", "--records", tmp_path / "j", "--json"), "no such file")
    assert list(tmp_path.iterdir()) == []
