"""The journal loses nothing that was judged, whatever fails: one line is told, and it is saved when it can be."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta, timezone
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from projector.records import connecting, unsaved
from projector.records.faults import RecordsError
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.records.sessions import Entry, Session
from projector.records.unsaved import Added, Deed, Ended, Lot, Undone, Unsaved, put_away, read_unsaved, take_in
from projector.telling.sentences import sentence
from projector.telling.totals import session_keys
from tests.projector.records.server import Server

AT = datetime(2024, 5, 3, 9, 30, tzinfo=timezone(timedelta(hours=2)))
PLAN = 'name = "½ star"\n'


class Heard(list[dict[str, Any]]):
    """What the journal told."""

    def tell(self, event: str, **keys: object) -> None:
        self.append({"event": event, **keys})


@pytest.fixture(autouse=True)
def somewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the person is, so that no test leaves a file anywhere else."""
    place = tmp_path / "here"
    place.mkdir()
    monkeypatch.chdir(place)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return place


def begun(address: str | Path, heard: Heard) -> tuple[Journal, int]:
    journal = Journal.open(address, heard.tell)
    return journal, journal.begin(AT, "cut", PLAN, "rig.json")


def names(address: str | Path, session: int = 1) -> list[str | None]:
    with open_records(address) as records:
        return [entry.name for entry in records.units(session)]


def fill(journal: Journal) -> None:
    """SQLite's own limit on a file's pages stands for the disk: the same error code, SQLITE_FULL."""
    with journal.records._engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")


LONG = json.dumps("x" * 100_000)  # more than any page that is not full yet could hold
SPREAD = [{"event": "unit", "name": str(i), "verdict": "fits"} for i in range(40)]  # units of one look


def at_insert(journal: Journal, n: int, fails: Callable[[], None]) -> None:
    """Let something happen just before the n-th entry is written."""
    seen = count(1)

    def before(connection: object, cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("INSERT INTO entry") and next(seen) == n:
            fails()

    event.listen(journal.records._engine, "before_cursor_execute", before)


def test_what_a_full_disk_does_not_take_is_told_once_and_saved_when_there_is_room(
    tmp_path: Path, somewhere: Path
) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)
    journal.record(session, "first", "fits", "{}", AT)
    fill(journal)
    assert journal.record(session, "second", "fits", LONG, AT) == 2
    fill(journal)  # the journal connects anew after a fault
    assert journal.record(session, "third", "fits", LONG, AT) == 3
    (told,) = heard
    assert (told["event"], told["what"], told["why"]) == ("refused", "records", "disk_full")
    assert "\n" not in sentence(told)
    assert names(tmp_path / "j") == ["first"]
    (kept,) = somewhere.iterdir()
    assert str(kept) == told["file"]
    assert [deed.entry.name for deed in read_unsaved(kept) if isinstance(deed, Added)] == ["second", "third"]
    assert journal.record(session, "fourth", "fits", "{}", AT) == 4  # there is room again
    assert heard[1:] == [{"event": "seen", "what": "records", "where": str(tmp_path / "j"), "saved": 3}]
    assert list(somewhere.iterdir()) == []
    journal.close()
    assert names(tmp_path / "j") == ["first", "second", "third", "fourth"]


def test_what_was_taken_back_meanwhile_and_the_end_are_saved_too(tmp_path: Path) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)
    (tmp_path / "j").rename(tmp_path / "away")
    for name in ("first", "second"):
        journal.record(session, name, "fits", "{}", AT)
    journal.undo(session, 1, AT)
    journal.end(session, AT)
    (tmp_path / "away").rename(tmp_path / "j")
    journal.close()
    assert names(tmp_path / "j") == ["second"]
    with open_records(tmp_path / "j") as records:
        assert records.sessions()[0].ended == AT


def test_a_file_that_was_taken_away_is_not_begun_anew_and_what_is_left_is_in_a_file(
    tmp_path: Path, somewhere: Path
) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)
    journal.record(session, "first", "fits", "{}", AT)
    (tmp_path / "j").unlink()
    journal.record(session, "second", "trim", '{"event": "unit"}', AT)
    journal.end(session, AT)
    journal.close()
    assert not (tmp_path / "j").exists()
    (kept,) = somewhere.iterdir()
    assert [(one["why"], one["file"]) for one in heard] == [("read_only", str(kept)), ("unsaved", str(kept))]
    assert heard[1]["left"] == 2
    with open_records(tmp_path / "new", make=True) as records:
        for _ in range(2):  # taken in twice it is there once
            assert take_in(records, read_unsaved(kept)) == 1
        (found,) = records.sessions()
        assert (found.plan, found.plan_name, found.command, found.ended) == (PLAN, "½ star", "cut", AT)
        assert records.entries(found.id) == (Entry(1, "second", "trim", '{"event": "unit"}', AT),)


@contextmanager
def as_nobody() -> Iterator[None]:
    """Root may write everywhere, so root becomes somebody else for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)  # "nobody" (Debian Policy Manual, section 9.2.2)
    try:
        yield
    finally:
        os.seteuid(0)


def test_the_next_who_begins_is_told_of_a_file_that_was_left(tmp_path: Path, somewhere: Path) -> None:
    waiting = Unsaved()
    waiting.add(Ended(Session(1, AT, "cut", "", "", mark="a"), AT))
    waiting.write()
    heard = Heard()
    begun(tmp_path / "j", heard)[0].close()
    assert [(one["what"], one["file"]) for one in heard] == [("unsaved", str(waiting.file))]
    assert waiting.file is not None
    put_away(waiting.file)
    heard.clear()
    begun(tmp_path / "j", heard)[0].close()
    assert heard == []


@pytest.mark.parametrize("mode", [0o555, 0o000], ids=["read-only", "shut"])
def test_a_folder_that_became_read_only_or_shut_keeps_nothing_back(mode: int) -> None:
    heard = Heard()
    with tempfile.TemporaryDirectory(dir="/tmp") as name:  # which nobody can reach, other than a test's own
        folder = Path(name)
        journal, session = begun(folder / "j", heard)
        (folder / "j").chmod(0o666)
        folder.chmod(mode)
        with as_nobody():
            journal.record(session, "first", "fits", "{}", AT)
        assert [one["why"] for one in heard] == ["read_only"]
        folder.chmod(0o777)
        with as_nobody():
            assert journal.save()
        journal.close()
        assert names(folder / "j") == ["first"]


def test_a_file_that_another_program_holds_for_long_is_told_and_saved_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard = Heard()
    monkeypatch.setattr(connecting, "WAIT_S", 0.02)
    journal, session = begun(tmp_path / "j", heard)
    other = sqlite3.connect(tmp_path / "j", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    journal.record(session, "first", "fits", "{}", AT)
    assert [one["why"] for one in heard] == ["busy"]
    other.execute("ROLLBACK")
    other.close()
    journal.close()
    assert names(tmp_path / "j") == ["first"]


def test_a_server_that_stops_and_comes_back_loses_nothing(server: Server) -> None:
    address, heard = server.database(), Heard()
    journal, session = begun(address, heard)
    journal.record(session, "first", "fits", "{}", AT)
    server.stop()
    try:
        for name in ("second", "third"):
            journal.record(session, name, "fits", "{}", AT)
        journal.undo(session, 2, AT)
    finally:
        server.start()
    journal.record(session, "fourth", "fits", "{}", AT)
    journal.close()
    assert [(one["event"], one.get("why")) for one in heard] == [("refused", "gone"), ("seen", None)]
    assert names(address, session) == ["first", "third", "fourth"]


def test_a_session_that_was_deleted_meanwhile_is_taken_in_again(tmp_path: Path, somewhere: Path) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)
    with open_records(tmp_path / "j") as other:
        other.delete([session])
        other.begin(Session(0, AT, "pile", "", "rig.json", mark="other"))
    journal.record(session, "first", "fits", "{}", AT)
    journal.close()
    assert heard[0]["why"] == "no_session"
    (kept,) = somewhere.iterdir()
    with open_records(tmp_path / "j") as records:
        assert take_in(records, read_unsaved(kept)) == 1
        assert [len(records.units(one.id)) for one in records.sessions()] == [0, 1]


def test_where_the_person_is_may_be_full_too(tmp_path: Path, somewhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then it is written at home, then where everybody may write."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    (tmp_path / "tmp").mkdir()
    somewhere.rmdir()
    monkeypatch.setenv("HOME", str(tmp_path / "nobody"))
    waiting = Unsaved()
    waiting.add(Ended(Session(1, AT, "cut", "", "", mark="a"), AT))
    waiting.write()
    assert waiting.file is not None
    assert waiting.file.parent == tmp_path / "tmp"


def test_where_nothing_can_be_written_memory_alone_holds_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)
    monkeypatch.setattr(unsaved, "_places", lambda: iter([tmp_path / "nowhere" / "f"]))
    (tmp_path / "j").rename(tmp_path / "away")
    journal.record(session, "first", "fits", "{}", AT)
    assert heard[0]["file"] is None
    (tmp_path / "away").rename(tmp_path / "j")
    journal.close()
    assert names(tmp_path / "j") == ["first"]


def test_when_the_place_of_the_file_fills_up_all_goes_to_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unsaved, "_places", lambda: iter([tmp_path / "a" / "f", tmp_path / "b" / "f"]))
    for name in "ab":
        (tmp_path / name).mkdir()
    session = Session(1, AT, "cut", "", "", mark="a")
    deeds = [Added(session, str(n), Entry(n, "star", "fits", "{}", AT)) for n in (1, 2)]
    waiting = Unsaved()
    waiting.add(deeds[0])
    waiting.write()
    assert waiting.file == tmp_path / "a" / "f"
    waiting.file.unlink()
    waiting.file.mkdir()  # nothing can be appended to a folder, nor can it be taken away like a file
    waiting.add(deeds[1])
    waiting.write()
    assert waiting.file == tmp_path / "b" / "f"
    assert [deed.mark for deed in read_unsaved(waiting.file) if isinstance(deed, Added)] == ["1", "2"]


def test_interrupted_while_saving_it_is_saved_at_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal, session = begun(tmp_path / "j", Heard())

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as change:
        change.setattr(journal.records, "add", interrupt)
        with pytest.raises(KeyboardInterrupt):
            journal.record(session, "first", "fits", "{}", AT)
    journal.close()
    assert names(tmp_path / "j") == ["first"]


def test_a_kill_in_the_middle_of_a_lot_leaves_none_of_it_and_it_counts_once_when_laid_again(tmp_path: Path) -> None:
    child = os.fork()
    if child == 0:
        journal, session = begun(tmp_path / "j", Heard())
        journal.keep(session, SPREAD[0], AT)
        at_insert(journal, 21, lambda: os.kill(os.getpid(), signal.SIGKILL))
        journal.keep_all(session, SPREAD, AT)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    assert names(tmp_path / "j") == ["0"]
    with Journal.open(tmp_path / "j") as journal:
        left = journal.unfinished(PLAN, "cut")
        assert left is not None
        assert journal.keep_all(left.id, SPREAD, AT) == list(range(2, 42))
    assert names(tmp_path / "j") == ["0", *map(str, range(40))]


def test_a_lot_that_fails_halfway_is_unsaved_as_a_whole_and_saved_once(tmp_path: Path, somewhere: Path) -> None:
    heard = Heard()
    journal, session = begun(tmp_path / "j", heard)

    def fails() -> None:
        raise sqlite3.OperationalError("disk I/O error")

    at_insert(journal, 21, fails)
    assert journal.keep_all(session, SPREAD, AT) == list(range(1, 41))
    assert names(tmp_path / "j") == []
    (file,) = somewhere.iterdir()
    (lot,) = read_unsaved(file)
    assert isinstance(lot, Lot)
    assert [entry.name for _, entry in lot.marked] == [one["name"] for one in SPREAD]
    journal.undo(session, 7, AT)  # and it goes this time
    journal.close()
    assert names(tmp_path / "j") == [str(i) for i in range(40) if i != 6]
    assert [(one["event"], one.get("saved")) for one in heard] == [("refused", None), ("seen", 40)]
    with open_records(tmp_path / "j") as records:
        assert take_in(records, [lot]) == 40  # what is there already stays as it is
        assert len(records.entries(session)) == 40


def test_a_session_that_nobody_began_is_a_programs_mistake(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "j") as journal, pytest.raises(KeyError):
        journal.record(99, "star", "fits", "{}", AT)


texts = st.text(st.characters(codec="utf-8"))
sessions = st.builds(
    Session, st.just(0), st.just(AT), texts, st.just(PLAN), texts, st.none(), st.just("½ star"), texts, texts
)
entries = st.builds(Entry, st.integers(1), st.none() | texts, st.none() | texts, texts, st.just(AT))
deeds = (
    st.builds(Added, sessions, texts, entries)
    | st.builds(Lot, sessions, st.lists(st.tuples(texts, entries), max_size=3).map(tuple))
    | st.builds(Undone, sessions, st.integers(1), st.none() | texts, st.just(AT))
    | st.builds(Ended, sessions, st.just(AT))
)


@settings(max_examples=30, deadline=None)
@given(st.lists(deeds, min_size=1, max_size=4), st.integers(0, 200))
def test_the_file_is_read_back_as_it_was_written_and_a_torn_last_line_is_passed_over(
    written: list[Deed], torn: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "f"
        assert unsaved._written(file, "x", written)
        assert list(read_unsaved(file)) == written
        whole = file.read_bytes()
        file.write_bytes(whole[: len(whole) - 1 - torn % len(whole.splitlines()[-1])])
        assert list(read_unsaved(file)) == written[:-1]


@pytest.mark.parametrize(
    "line", ["nothing", "[]", "{}", '{"deed": "added"}', "[" * 100_000, '{"session": 1, "at": "2024-05-03"}', "\udcff"]
)
def test_another_file_is_refused_in_one_line(tmp_path: Path, line: str) -> None:
    (tmp_path / "f").write_text(f"{line}\n", encoding="utf-8", errors="surrogateescape")
    with pytest.raises(RecordsError, match="give the file that was named") as error:
        list(read_unsaved(tmp_path / "f"))
    assert "\n" not in str(error.value)


def test_the_summary_does_without_records_that_went_away(tmp_path: Path) -> None:
    journal, session = begun(tmp_path / "j", Heard())
    journal.record(session, "first", "fits", "{}", AT)
    assert session_keys(journal, session, []) == {"units": 1, "judged": 1, "verdicts": {"fits": 1}}
    (tmp_path / "j").rename(tmp_path / "away")
    journal.record(session, "second", "fits", "{}", AT)
    assert session_keys(journal, session, []) == {"units": 0, "judged": 0, "verdicts": {}}  # of this sitting
    (tmp_path / "away").rename(tmp_path / "j")
    assert session_keys(journal, session, [])["units"] == 2
    journal.close()
