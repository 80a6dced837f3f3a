"""From an address to a database: a file of SQLite, or a PostgreSQL server."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, QueuePool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from projector.records.faults import NO_DRIVER, RecordsError

SERVERS = ("postgresql", "postgres")
HOW = "give a file, or an address like postgresql://name@host/database"
WAIT_S = 10  # for another program that writes; a table must not stand still for longer
CONNECT_S = 3


@dataclass(frozen=True, slots=True)
class Place:
    """Where records are: a file, or else a server. `said` is for the person and holds no password."""

    said: str
    file: Path | None = None
    server: URL | None = None


def place_of(address: str | Path) -> Place:
    """Read an address. Raises RecordsError."""
    text = str(address)
    scheme, colon, rest = text.partition("://")
    if isinstance(address, Path) or not colon:
        if not text or "\0" in text:
            raise RecordsError(f"no name of a file; {HOW}")
        return Place(text, Path(text))
    if scheme not in SERVERS:
        raise RecordsError(f"{scheme}://: no address for records; {HOW}")
    try:
        url = make_url(f"postgresql+psycopg://{rest}")
    except (ArgumentError, ValueError):
        raise RecordsError(f"{scheme}://: cannot be read as an address; {HOW}") from None
    host = f"{url.host or ''}{f':{url.port}' if url.port else ''}"
    return Place(f"postgresql://{host}/{url.database or ''}", server=url)


def engine_of(place: Place, make: bool) -> Engine:
    """An engine that keeps one connection. A file that is not there is begun only where `make` says so."""
    if place.file is not None:
        return _file_engine(place.file, make)
    assert place.server is not None
    try:
        return _server_engine(place.server)
    except ModuleNotFoundError:
        raise RecordsError(f"{place.said}: {NO_DRIVER.says}; {NO_DRIVER.do}") from None


def _file_engine(path: Path, make: bool) -> Engine:
    """SQLite, every commit on the disk before it returns.

    `synchronous = EXTRA` waits for the disk as FULL does, and for the folder too, out of which a commit takes the
    rollback journal: after FULL alone a power cut may bring the last commit's journal back, and undo it (SQLite
    documentation, "PRAGMA Statements"). Who writes says so from the beginning (BEGIN IMMEDIATE), so that two of them
    wait for each other instead of failing halfway.
    """
    uri = path.absolute().as_uri()
    made = make and not os.path.exists(path)

    def connect() -> sqlite3.Connection:
        nonlocal made
        mode, made = "rwc" if made else "rw", False  # one that goes away later is not begun anew
        return _sqlite(uri, mode)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, pool_size=1, max_overflow=0)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _sqlite(uri: str, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{uri}?mode={mode}", uri=True, timeout=WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = EXTRA")
    except BaseException:
        connection.close()
        raise
    return connection


def _server_engine(url: URL) -> Engine:
    """PostgreSQL. A server that falls silent is given up after some seconds, and the units are kept meanwhile."""
    asked = url.query.get("options", "")  # after ours, so that it is the one that counts
    waits: dict[str, Any] = {
        "connect_timeout": CONNECT_S,
        "tcp_user_timeout": 1000 * WAIT_S,
        "options": f"-c statement_timeout={WAIT_S}s -c lock_timeout={WAIT_S}s -c synchronous_commit=on {asked}",
        "application_name": "chalkbeam",
    }
    kept = {name: value for name, value in waits.items() if name == "options" or name not in url.query}
    url = url.difference_update_query(["options"])
    return create_engine(url, connect_args=kept, pool_size=1, max_overflow=0, pool_pre_ping=True)
