"""The tables of the records, for SQLite and PostgreSQL alike (SQLAlchemy Core)."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from sqlalchemy import Column, Dialect, ForeignKey, Integer, MetaData, String, Table, Text
from sqlalchemy.types import TypeDecorator

SCHEMA = 2
APPLICATION_ID = 0x63686B62  # "chkb", in an SQLite file's head, so that no other database is taken for records
NOT_TEXT = re.compile("[\x00\ud800-\udfff]")


class Words(TypeDecorator[str]):
    """Text that every database takes: NUL and halves of surrogate pairs become U+FFFD.

    PostgreSQL's text cannot hold NUL (its documentation, "Character Types"), and neither half has an encoding in UTF-8.
    """

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        return None if value is None else NOT_TEXT.sub("�", value)

    def process_result_value(self, value: Any, dialect: Dialect) -> str | None:
        return None if value is None else str(value)  # in a file of SQLite a column may hold anything


class Moment(TypeDecorator[datetime]):
    """A moment by the clock on the wall at the table, with its offset from UTC: ISO 8601 text, its date first.

    Reading raises ValueError for what is none.
    """

    impl = String(40)
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        return value.isoformat() if isinstance(value, datetime) else value

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(str(value))


tables = MetaData()

# A session's number is never given again, so that a table that still writes into a deleted session reaches no other.
session = Table(
    "session",
    tables,
    Column("id", Integer, primary_key=True),
    Column("mark", String(32), nullable=False, unique=True),
    Column("started", Moment, nullable=False),
    Column("command", Words, nullable=False),
    Column("plan_name", Words, nullable=False),
    Column("plan", Words, nullable=False),
    Column("rig", Words, nullable=False),
    Column("ended", Moment),
    Column("host", Words, nullable=False),
    sqlite_autoincrement=True,
)

# The mark comes from who writes: what was sent twice, because the answer got lost, is kept once.
entry = Table(
    "entry",
    tables,
    Column("session", ForeignKey(session.c.id, ondelete="CASCADE"), primary_key=True),
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("mark", String(32), nullable=False, unique=True),
    Column("kind", String(16), nullable=False),
    Column("name", Words),
    Column("verdict", Words),
    Column("line", Words, nullable=False),
    Column("at", Moment, nullable=False),
    Column("undone", Moment),
)

# SQLite's file says its version in its head; PostgreSQL has this table for it, in the same transaction as the others.
version_tables = MetaData()
version = Table("chalkbeam", version_tables, Column("schema", Integer, nullable=False))
