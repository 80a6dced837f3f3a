"""Files of records say what they are; older ones are brought up; what is none is refused and left as it was."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import text

from projector.records import layout
from projector.records.connecting import engine_of, place_of
from projector.records.faults import RecordsError
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.records.schema import APPLICATION_ID, SCHEMA, version
from projector.records.sessions import Entry
from tests.projector.records.server import Server

AT = datetime(2024, 5, 3, 9, 30, tzinfo=timezone(timedelta(hours=2)))

# As the first version of this program laid out its files.
FIRST_TABLES = """
CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    started TEXT NOT NULL,
    command TEXT NOT NULL,
    plan TEXT NOT NULL,
    rig TEXT NOT NULL,
    ended TEXT
);
CREATE TABLE unit (
    session INTEGER NOT NULL REFERENCES session (id),
    n INTEGER NOT NULL,
    name TEXT,
    verdict TEXT,
    line TEXT NOT NULL,
    at TEXT NOT NULL,
    PRIMARY KEY (session, n)
);
"""


def first_version(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(FIRST_TABLES)
    started = AT.isoformat()
    connection.execute("INSERT INTO session VALUES (1, ?, 'cut', 'name = \"Old\"', 'rig.json', ?)", (started, started))
    connection.execute("INSERT INTO session VALUES (4, ?, 'rehearse', 'no plan at all', 'rig.json', NULL)", (started,))
    rows = [(1, 1, "star", "fits", "{}", started), (1, 2, None, None, '{"a": 1}', started)]
    rows += [(4, n, "star", "trim", f'{{"n": {n}}}', started) for n in range(1, 41)]
    connection.executemany("INSERT INTO unit VALUES (?, ?, ?, ?, ?, ?)", rows)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 1")
    connection.commit()
    connection.close()


def test_a_file_of_the_first_version_is_brought_up_without_losing_a_unit(tmp_path: Path) -> None:
    first_version(tmp_path / "j")
    for _ in range(2):  # the second time it is of this version
        with open_records(tmp_path / "j") as records:
            old, left = records.sessions()
            assert (old.id, old.started, old.ended, old.plan_name) == (1, AT, AT, "Old")
            assert (left.id, left.ended, left.plan_name) == (4, None, "")
            assert records.units(1) == (Entry(1, "star", "fits", "{}", AT), Entry(2, None, None, '{"a": 1}', AT))
            assert [entry.event()["n"] for entry in records.units(4)] == list(range(1, 41))
            assert old.mark != left.mark
    with Journal.open(tmp_path / "j") as journal:
        assert journal.unfinished("no plan at all", "rehearse") == left
        assert journal.record(4, "star", "fits", "{}", AT) == 41
        assert journal.begin(AT, "cut", "", "rig.json") == 5
    connection = sqlite3.connect(tmp_path / "j")
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_a_file_that_cannot_be_brought_up_wholly_is_left_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first_version(tmp_path / "j")

    def fails(text: str) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as change:
        change.setattr(layout, "plan_name_of", fails)
        with pytest.raises(KeyboardInterrupt):
            open_records(tmp_path / "j")
    with open_records(tmp_path / "j") as records:
        assert [len(records.units(session.id)) for session in records.sessions()] == [2, 40]


def no_journal(path: Path) -> None:
    path.write_text("just a letter to somebody, longer than the head of a database " * 20)


def other_database(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE songs (name TEXT)")
    connection.close()


def newer_journal(path: Path) -> None:
    open_records(path, make=True).close()
    connection = sqlite3.connect(path)
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
def test_what_is_no_journal_is_refused_in_one_line_and_left_as_it_was(
    tmp_path: Path, make: Callable[[Path], None], says: str
) -> None:
    path = tmp_path / "j"
    make(path)
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(RecordsError, match=says) as error:
        Journal.open(path)
    assert "\n" not in str(error.value)
    assert str(path) in str(error.value)
    assert (path.read_bytes() if path.is_file() else b"") == before


def test_another_database_of_a_server_and_a_newer_one_are_refused(server: Server) -> None:
    for statement, says in (("CREATE TABLE session (songs int)", "no journal of this table"), ("", "newer version")):
        address = server.database()
        engine = engine_of(place_of(address), make=True)
        if not statement:
            open_records(address, make=True).close()
        with engine.begin() as connection:
            connection.execute(text(statement) if statement else version.update().values(schema=SCHEMA + 1))
        engine.dispose()
        with pytest.raises(RecordsError, match=says):
            open_records(address, make=True)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("UPDATE session SET started = 'noon'", "holds what this program did not write"),
        ("UPDATE entry SET at = 5", "holds what this program did not write"),
        ("DROP TABLE entry", "the records failed"),
    ],
)
def test_what_somebody_else_wrote_into_a_file_is_told_in_one_line(tmp_path: Path, change: str, says: str) -> None:
    with Journal.open(tmp_path / "j") as journal:
        journal.record(journal.begin(AT, "cut", "", "rig.json"), "star", "fits", "{}", AT)
    connection = sqlite3.connect(tmp_path / "j")
    connection.execute(change)
    connection.commit()
    connection.close()
    with open_records(tmp_path / "j") as records, pytest.raises(RecordsError, match=says) as error:
        [records.entries(session.id) for session in records.sessions()]
    assert "\n" not in str(error.value)


def test_what_is_no_text_in_a_file_is_read_as_text(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "j") as journal:
        session = journal.begin(AT, "cut", "", "rig.json")
        journal.record(session, "star", "fits", "{}", AT)
    connection = sqlite3.connect(tmp_path / "j")
    connection.execute("UPDATE entry SET name = x'00ff', line = 7")
    connection.commit()
    connection.close()
    with open_records(tmp_path / "j") as records:
        (entry,) = records.entries(session)
    assert isinstance(entry.name, str)
    assert entry.event() == {}


def test_records_that_are_only_read_are_not_begun(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="no such file"):
        open_records(tmp_path / "j")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_or_not_writable_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="cannot be written"):
        Journal.open(tmp_path / "nowhere" / "j")
    (tmp_path / "shut").mkdir(mode=0o555)
    if not os.access(tmp_path / "shut", os.W_OK):  # root may write everywhere
        with pytest.raises(RecordsError, match="cannot be written"):
            Journal.open(tmp_path / "shut" / "j")


def test_odd_names_of_files_are_names_of_files(tmp_path: Path) -> None:
    for name in ("a?mode=memory", "b#c", "d%00", "é ½", "f:g"):
        open_records(tmp_path / name, make=True).close()
        assert (tmp_path / name).stat().st_size > 0


def test_the_file_says_what_it_is(tmp_path: Path) -> None:
    """Bytes 68 to 71 of a database are its application's number (SQLite documentation, "Database File Format")."""
    Journal.open(tmp_path / "j").close()
    assert int.from_bytes((tmp_path / "j").read_bytes()[68:72], "big") == APPLICATION_ID


def test_every_commit_waits_for_the_disk(tmp_path: Path) -> None:
    """2 is FULL and 3 is EXTRA, which waits for the folder too (SQLite documentation, "PRAGMA synchronous")."""
    engine = engine_of(place_of(tmp_path / "j"), make=True)
    with engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == 3
    engine.dispose()
