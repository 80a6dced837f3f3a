"""What was judged, kept safe: a SQLite file. A unit is on the disk before `record` returns.

`PRAGMA synchronous = FULL` makes SQLite wait for the disk at each commit (SQLite documentation, "PRAGMA
Statements"), so that a power cut after `record` loses nothing.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType

APPLICATION_ID = 0x63686B62  # "chkb", in the file's head, so that no other database is taken for a journal
SCHEMA = 1
TABLES = """
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


class JournalError(Exception):
    """The journal cannot be used; the message says in one line what to do."""


@dataclass(frozen=True, slots=True)
class Session:
    """One sitting at the table. `plan` is the plan file's own text, `rig` the name of the rig file."""

    id: int
    started: datetime
    command: str
    plan: str
    rig: str
    ended: datetime | None


@dataclass(frozen=True, slots=True)
class Entry:
    """One judged unit: `line` is its whole event as one line of JSON."""

    n: int  # from 1, in the order judged
    name: str | None
    verdict: str | None
    line: str
    at: datetime


class Journal:
    """An open journal; also a context manager that closes it."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection, self._path = connection, path

    @classmethod
    def open(cls, path: str | Path) -> Journal:
        """Open a journal, or begin one where there is no file. Raises JournalError."""
        path = Path(path)
        with _told(path):
            connection = sqlite3.connect(path, isolation_level=None)
            try:
                _prepare(connection, path)
            except BaseException:
                connection.close()
                raise
        return cls(connection, path)

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, t: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        self._connection.close()

    def begin(self, started: datetime, command: str, plan: str, rig: str) -> int:
        """Open a session; its number."""
        values = (started.isoformat(), command, plan, rig)
        with _told(self._path):
            row = self._connection.execute(
                "INSERT INTO session (started, command, plan, rig) VALUES (?, ?, ?, ?) RETURNING id", values
            ).fetchall()
        return int(row[0][0])

    def record(self, session: int, name: str | None, verdict: str | None, line: str, at: datetime) -> int:
        """Keep a judged unit; its number in the session, from 1. It is on the disk when this returns."""
        values = (session, name, verdict, line, at.isoformat(), session)
        with _told(self._path):
            row = self._connection.execute(
                "INSERT INTO unit (session, n, name, verdict, line, at) "
                "SELECT ?, coalesce(max(n), 0) + 1, ?, ?, ?, ? FROM unit WHERE session = ? RETURNING n",
                values,
            ).fetchall()
        return int(row[0][0])

    def end(self, session: int, ended: datetime) -> None:
        """Close a session: it was finished, there is nothing to resume."""
        with _told(self._path):
            self._connection.execute("UPDATE session SET ended = ? WHERE id = ?", (ended.isoformat(), session))

    def sessions(self) -> tuple[Session, ...]:
        """All sessions, oldest first."""
        with _told(self._path):
            rows = self._connection.execute(
                "SELECT id, started, command, plan, rig, ended FROM session ORDER BY id"
            ).fetchall()
            return tuple(_session(*row) for row in rows)

    def units(self, session: int) -> tuple[Entry, ...]:
        """The units of a session, in the order judged."""
        with _told(self._path):
            rows = self._connection.execute(
                "SELECT n, name, verdict, line, at FROM unit WHERE session = ? ORDER BY n", (session,)
            ).fetchall()
            return tuple(
                Entry(n, name, verdict, line, datetime.fromisoformat(at)) for n, name, verdict, line, at in rows
            )

    def unfinished(self, plan: str) -> Session | None:
        """The last session of this very plan text, if it was not finished."""
        mine = [session for session in self.sessions() if session.plan == plan]
        return mine[-1] if mine and mine[-1].ended is None else None

    def counts(self, session: int) -> dict[str, int]:
        """How many units of a session were judged so, by verdict; units without one are left out."""
        with _told(self._path):
            rows = self._connection.execute(
                "SELECT verdict, count(*) FROM unit WHERE session = ? AND verdict IS NOT NULL GROUP BY verdict",
                (session,),
            ).fetchall()
        return {str(verdict): int(count) for verdict, count in rows}


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Lay out a new file; refuse one that is no journal, or that is newer than this program."""
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("BEGIN IMMEDIATE")  # two programs that begin at one time lay it out once
    (application,), (schema,) = (
        connection.execute(f"PRAGMA {name}").fetchone() for name in ("application_id", "user_version")
    )
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if (application, schema, tables) == (0, 0, 0):
        for statement in TABLES.split(";")[:-1]:
            connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA}")
    elif application != APPLICATION_ID:
        raise JournalError(f"{path}: a database, but no journal of this table; give another name")
    elif schema != SCHEMA:
        raise JournalError(f"{path}: written by a newer version (schema {schema}); update, or give another name")
    connection.execute("COMMIT")


def _session(id_: int, started: str, command: str, plan: str, rig: str, ended: str | None) -> Session:
    finished = datetime.fromisoformat(ended) if ended else None
    return Session(id_, datetime.fromisoformat(started), command, plan, rig, finished)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into one line for the person."""
    try:
        yield
    except (sqlite3.Error, ValueError) as error:
        raise JournalError(f"{path}: {_reason(path, error)}") from error


def _reason(path: Path, error: Exception) -> str:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the primary code (SQLite documentation, "Result Codes")
    match code:
        case sqlite3.SQLITE_NOTADB | sqlite3.SQLITE_CORRUPT:
            return "not a journal, or damaged; give another name"
        case sqlite3.SQLITE_FULL:
            return "the disk is full; make room, then start again: what was judged before is kept"
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return "in use by another program; close it, then start again"
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM if not path.exists():
            return f"cannot be written; make the folder {path.parent} writable, or give another"
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return "cannot be written; make the file and its folder writable, or give another name"
        case _:
            return f"the journal failed ({error}); give another name"
