"""The journal keeps every judged unit, whatever happens next; what cannot be used is refused in one line."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from projector.journal import APPLICATION_ID, Entry, Journal, JournalError

AT = datetime(2024, 5, 3, 9, 30, tzinfo=timezone(timedelta(hours=2)))
PLAN = 'name = "½ star"\n'


def begun(path: Path, plan: str = PLAN) -> tuple[Journal, int]:
    journal = Journal.open(path)
    return journal, journal.begin(AT, "cut", plan, "rig.json")


def test_what_was_recorded_is_read_back_by_the_next_who_opens(tmp_path: Path) -> None:
    journal, session = begun(tmp_path / "journal.sqlite")
    line = json.dumps({"event": "unit", "verdict": "fits", "sides_mm": [82.55, None]})
    assert journal.record(session, "star", "fits", line, AT) == 1
    assert journal.record(session, "star", "trim", "{}", AT + timedelta(minutes=1)) == 2
    assert journal.record(session, None, None, "{}", AT) == 3
    journal.close()
    with Journal.open(tmp_path / "journal.sqlite") as again:
        assert again.units(session)[0] == Entry(1, "star", "fits", line, AT)
        assert [entry.n for entry in again.units(session)] == [1, 2, 3]
        assert again.counts(session) == {"fits": 1, "trim": 1}
        (found,) = again.sessions()
        assert (found.started, found.command, found.plan, found.rig) == (AT, "cut", PLAN, "rig.json")
        assert found.ended is None


def test_only_the_last_session_of_the_same_plan_is_resumed_and_only_if_it_was_not_finished(tmp_path: Path) -> None:
    journal, first = begun(tmp_path / "j")
    other = journal.begin(AT, "cut", "another plan", "rig.json")
    assert journal.unfinished(PLAN) is not None
    assert journal.unfinished(PLAN).id == first  # type: ignore[union-attr]
    assert journal.unfinished("a third plan") is None
    journal.end(first, AT)
    assert journal.unfinished(PLAN) is None
    assert journal.unfinished("another plan").id == other  # type: ignore[union-attr]
    journal.close()


def test_numbers_run_by_session_and_a_unit_of_no_session_is_refused(tmp_path: Path) -> None:
    journal, first = begun(tmp_path / "j")
    second = journal.begin(AT, "cut", PLAN, "rig.json")
    assert [journal.record(s, "u", "fits", "{}", AT) for s in (first, second, first, second)] == [1, 1, 2, 2]
    with pytest.raises(JournalError):
        journal.record(99, "u", "fits", "{}", AT)
    journal.close()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a system that can kill a process at once")
def test_a_killed_program_loses_no_unit_that_it_was_told_is_kept(tmp_path: Path) -> None:
    code = f"""
        import datetime
        from projector.journal import Journal
        at = datetime.datetime(2024, 5, 3)
        journal = Journal.open({str(tmp_path / "j")!r})
        session = journal.begin(at, "cut", "p", "r")
        while True:
            print(journal.record(session, "u", "fits", "{{}}", at), flush=True)
    """
    with subprocess.Popen([sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for _ in range(25):
            child.stdout.readline()
        child.kill()
        told = 25 + len(child.stdout.read().splitlines())
    with Journal.open(tmp_path / "j") as journal:
        kept = [entry.n for entry in journal.units(1)]
    assert kept == list(range(1, len(kept) + 1))
    assert len(kept) - told in (0, 1)  # the last may have been kept and not yet told


def no_journal(path: Path) -> None:
    path.write_text("just a letter to somebody, longer than the head of a database " * 20)


def other_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE songs (name TEXT)")
    connection.close()


def newer_journal(path: Path) -> None:
    Journal.open(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 7")
    connection.close()


def folder(path: Path) -> None:
    path.mkdir()


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (no_journal, "not a journal"),
        (other_database, "no journal of this table"),
        (newer_journal, "newer version"),
        (folder, "cannot be written"),
    ],
)
def test_what_is_no_journal_is_refused_in_one_line_and_left_as_it_was(tmp_path: Path, make: object, says: str) -> None:
    path = tmp_path / "j"
    assert callable(make)
    make(path)
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(JournalError, match=says) as error:
        Journal.open(path)
    assert "\n" not in str(error.value)
    assert str(path) in str(error.value)
    assert (path.read_bytes() if path.is_file() else b"") == before


def test_a_folder_that_is_not_there_or_not_writable_is_told(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="cannot be written"):
        Journal.open(tmp_path / "nowhere" / "j")
    (tmp_path / "shut").mkdir(mode=0o555)
    if not os.access(tmp_path / "shut", os.W_OK):  # root may write everywhere
        with pytest.raises(JournalError, match="cannot be written"):
            Journal.open(tmp_path / "shut" / "j")


def test_a_full_disk_is_told_and_what_was_kept_stays(tmp_path: Path) -> None:
    """SQLite's own limit on a file's pages stands for the disk: the same error code, SQLITE_FULL."""
    journal, session = begun(tmp_path / "j")
    journal.record(session, "u", "fits", "{}", AT)
    journal._connection.execute("PRAGMA max_page_count = 6")
    with pytest.raises(JournalError, match="disk is full") as error:
        journal.record(session, "u", "fits", "x" * 100_000, AT)
    assert "\n" not in str(error.value)
    journal.close()
    with Journal.open(tmp_path / "j") as again:
        assert len(again.units(session)) == 1


def test_the_file_says_what_it_is(tmp_path: Path) -> None:
    """Bytes 68 to 71 of a database are its application's number (SQLite documentation, "Database File Format")."""
    Journal.open(tmp_path / "j").close()
    assert int.from_bytes((tmp_path / "j").read_bytes()[68:72], "big") == APPLICATION_ID
