"""Records in a database, read and written. What was written is on the disk before the function returns."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, delete, func, insert, select, update
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from projector.records.connecting import Place, engine_of, place_of
from projector.records.faults import DAMAGED, MISSING, NO_SESSION, RecordsError, Trouble, server_trouble, sqlite_trouble
from projector.records.layout import prepare
from projector.records.schema import entry, session
from projector.records.sessions import EVERY_SESSION, UNIT, Entry, Session, Wanted


class Store:
    """An open database of records; also a context manager that closes it.

    Every function raises RecordsError where the database fails; those that write leave it as it was then.
    """

    def __init__(self, address: str | Path, make: bool = True) -> None:
        """Open records. Where there is none yet, they are begun if `make` says so. Raises RecordsError."""
        self.place = place_of(address)
        if not make and self.place.file is not None and not os.path.exists(self.place.file):
            raise RecordsError(f"{self.place.said}: {MISSING.says}; {MISSING.do}")
        self._engine = engine_of(self.place, make)
        try:
            with self._told():
                prepare(self._engine, self.place)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, t: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        self._engine.dispose()

    # Reading.

    def sessions(self, wanted: Wanted = EVERY_SESSION) -> tuple[Session, ...]:
        """Sessions in the order begun."""
        query = select(session).where(*_conditions(wanted)).order_by(session.c.id)
        part = (wanted.plan or "").casefold()
        with self._told(), self._engine.begin() as connection:
            return tuple(_session(row) for row in connection.execute(query) if part in row.plan_name.casefold())

    def entries(self, session_id: int) -> tuple[Entry, ...]:
        """All that was kept of a session, in that order, also what was taken back."""
        query = select(entry).where(entry.c.session == session_id).order_by(entry.c.n)
        with self._told(), self._engine.begin() as connection:
            return tuple(_entry(row) for row in connection.execute(query))

    def units(self, session_id: int) -> tuple[Entry, ...]:
        """The units of a session, in the order judged, without those that were taken back."""
        return tuple(one for one in self.entries(session_id) if one.kind == UNIT and one.undone is None)

    def unfinished(self, plan: str, command: str, host: str) -> Session | None:
        """The last session of this very plan text, command and computer, if it was not finished."""
        mine = session.c.plan == plan, session.c.command == command, session.c.host.in_((host, ""))
        query = select(session).where(*mine).order_by(session.c.id.desc()).limit(1)
        with self._told(), self._engine.begin() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None or row.ended is not None else _session(row)

    def counts(self, session_id: int) -> dict[str, int]:
        """How many units of a session were judged so, by verdict; units without one are left out."""
        return {verdict: count for verdict, count in self.totals([session_id])[session_id].items() if verdict}

    def totals(self, session_ids: Collection[int]) -> dict[int, dict[str | None, int]]:
        """The same of several sessions at once; None counts the units without a verdict."""
        found: dict[int, dict[str | None, int]] = {id_: {} for id_ in session_ids}
        query = (
            select(entry.c.session, entry.c.verdict, func.count())
            .where(entry.c.kind == UNIT, entry.c.undone.is_(None))
            .group_by(entry.c.session, entry.c.verdict)
            .order_by(entry.c.session, entry.c.verdict)
        )
        if len(found) == 1:
            query = query.where(entry.c.session == next(iter(found)))
        with self._told(), self._engine.begin() as connection:
            for id_, verdict, count in connection.execute(query):
                if id_ in found:
                    found[id_][verdict] = count
        return found

    def last_n(self, session_id: int) -> int:
        """The number of the last entry; 0 where there is none."""
        with self._told(), self._engine.begin() as connection:
            return int(connection.execute(select(_last_n).where(entry.c.session == session_id)).scalar_one())

    # Writing.

    def begin(self, new: Session) -> Session:
        """Keep a session; it comes back with its number here. One that is here already, by its mark, stays as it is."""
        names = ("mark", "started", "command", "plan_name", "plan", "rig", "ended", "host")
        row = {name: getattr(new, name) for name in names}
        with self._writing() as connection:
            kept = select(session).where(session.c.mark == new.mark)
            if (there := connection.execute(kept).one_or_none()) is not None:
                return _session(there)
            connection.execute(insert(session).values(**row))
            return _session(connection.execute(kept).one())

    def add(self, session_id: int, mark: str, new: Entry) -> int:
        """Keep an entry; its number in the session, whatever `new.n` is. One that is here already stays as it is."""
        return self.add_all(session_id, [(mark, new)])[0]

    def add_all(self, session_id: int, new: Sequence[tuple[str, Entry]]) -> list[int]:
        """Keep entries, each with its mark, all of them or none: whatever interrupts it, no part of them is here."""
        with self._writing() as connection:
            _hold(connection, self.place, session_id)
            return _added(connection, session_id, new)

    def undo(self, session_id: int, n: int, at: datetime, mark: str | None = None) -> None:
        """Mark an entry, told by its number or better by its mark, as taken back; nothing is deleted."""
        mine = entry.c.n == n if mark is None else entry.c.mark == mark
        one = update(entry).where(entry.c.session == session_id, mine, entry.c.undone.is_(None))
        with self._writing() as connection:
            connection.execute(one.values(undone=at))

    def end(self, session_id: int, ended: datetime) -> None:
        """Close a session: it was finished, there is nothing to resume."""
        with self._writing() as connection:
            connection.execute(update(session).where(session.c.id == session_id).values(ended=ended))

    def delete(self, session_ids: Collection[int]) -> int:
        """Delete sessions with all that was kept of them; how many there were."""
        with self._writing() as connection:
            return connection.execute(delete(session).where(session.c.id.in_(session_ids))).rowcount

    # How.

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._told(), self._engine.connect().execution_options(writes=True) as connection, connection.begin():
            yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what the database says into one line for the person. The next try connects anew."""
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error) as error:
            self._engine.dispose()
            trouble = self._trouble(error.orig if isinstance(error, DBAPIError) else error)
            raise RecordsError(f"{self.place.said}: {trouble.says}; {trouble.do}", trouble=trouble) from error
        except ValueError as error:  # of a moment
            raise RecordsError(f"{self.place.said}: {DAMAGED.says} ({error}); {DAMAGED.do}", trouble=DAMAGED) from error

    def _trouble(self, error: BaseException | None) -> Trouble:
        if isinstance(error, sqlite3.Error) and self.place.file is not None:
            return sqlite_trouble(error, self.place.file)
        return server_trouble(error)


_last_n = func.coalesce(func.max(entry.c.n), 0)


def _added(connection: Connection, session_id: int, new: Sequence[tuple[str, Entry]]) -> list[int]:
    """The number of each; those that are here already stay as they are."""
    mine = entry.c.session == session_id
    last = int(connection.execute(select(_last_n).where(mine)).scalar_one())
    here = select(entry.c.mark, entry.c.n).where(mine, entry.c.mark.in_([mark for mark, _ in new]))
    numbers = {mark: int(n) for mark, n in connection.execute(here)}
    for mark, one in new:
        if mark not in numbers:
            last += 1
            numbers[mark] = last
            row = {name: getattr(one, name) for name in ("kind", "name", "verdict", "line", "at", "undone")}
            connection.execute(insert(entry).values(session=session_id, n=last, mark=mark, **row))
    return [numbers[mark] for mark, _ in new]


def _hold(connection: Connection, place: Place, session_id: int) -> None:
    """Let no other program write into this session until the transaction ends; in SQLite nobody else writes at all."""
    row = select(session.c.id).where(session.c.id == session_id).with_for_update()
    if connection.execute(row).one_or_none() is None:
        raise RecordsError(f"{place.said}: {NO_SESSION.says}; {NO_SESSION.do}", trouble=NO_SESSION)


def _conditions(wanted: Wanted) -> Iterator[ColumnElement[bool]]:
    day = func.substr(session.c.started, 1, 10)
    if wanted.ids:
        yield session.c.id.in_(wanted.ids)
    if wanted.command is not None:
        yield session.c.command == wanted.command
    if wanted.host is not None:
        yield session.c.host == wanted.host
    if wanted.since is not None:
        yield day >= wanted.since.isoformat()
    if wanted.until is not None:
        yield day <= wanted.until.isoformat()
    if wanted.verdict is not None:
        mine = select(entry.c.n).where(entry.c.session == session.c.id, entry.c.verdict == wanted.verdict)
        yield mine.where(entry.c.kind == UNIT, entry.c.undone.is_(None)).exists()


def _session(row: Row[Any]) -> Session:
    return Session(row.id, row.started, row.command, row.plan, row.rig, row.ended, row.plan_name, row.mark, row.host)


def _entry(row: Row[Any]) -> Entry:
    return Entry(row.n, row.name, row.verdict, row.line, row.at, row.kind, row.undone)
