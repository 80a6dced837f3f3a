"""The tables are made where there are none, and those of an older version are brought up, all or nothing."""

from __future__ import annotations

from datetime import datetime
from uuid import uuid4

from sqlalchemy import Connection, Engine, insert, inspect, select, text

from projector.records.connecting import Place
from projector.records.faults import RecordsError
from projector.records.schema import APPLICATION_ID, SCHEMA, entry, session, tables, version, version_tables
from projector.records.sessions import UNIT, plan_name_of

LOCK = APPLICATION_ID  # one program after the other lays out a PostgreSQL database


def prepare(engine: Engine, place: Place) -> None:
    """Make the tables, or bring them up; refuse what is no records, or newer than this program. Raises RecordsError."""
    fits = _file_fits if place.file is not None else _server_fits
    with engine.begin() as connection:
        if fits(connection, place, change=False):
            return
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        fits(connection, place, change=True)


def _file_fits(connection: Connection, place: Place, change: bool) -> bool:
    application, schema, count = (
        int(connection.exec_driver_sql(query).scalar_one())
        for query in ("PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_schema")
    )
    if (application, schema) == (APPLICATION_ID, SCHEMA):
        return True
    if (application, schema, count) != (0, 0, 0):
        _refuse_others(place, application == APPLICATION_ID, schema)
    if change:
        if schema == 1:
            _bring_up_from_1(connection)
        else:
            tables.create_all(connection)
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.exec_driver_sql(f"PRAGMA user_version = {SCHEMA}")
    return False


def _server_fits(connection: Connection, place: Place, change: bool) -> bool:
    if change:
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
    there = set(inspect(connection).get_table_names())
    if version.name in there:
        schema = connection.execute(select(version.c.schema)).scalar_one_or_none()
        if schema != SCHEMA:
            _refuse_others(place, schema is not None, schema or 0)
        return True
    if there & set(tables.tables):
        _refuse_others(place, False, 0)
    if change:
        version_tables.create_all(connection)
        tables.create_all(connection)
        connection.execute(insert(version).values(schema=SCHEMA))
    return False


def _refuse_others(place: Place, ours: bool, schema: int) -> None:
    if not ours:
        raise RecordsError(f"{place.said}: a database, but no journal of this table; give another name")
    if schema > SCHEMA:
        raise RecordsError(f"{place.said}: written by a newer version (schema {schema}); update, or give another name")


def _bring_up_from_1(connection: Connection) -> None:
    """Files of the first version: sessions without a mark, and units alone, in tables `session` and `unit`."""
    connection.exec_driver_sql("ALTER TABLE session RENAME TO session_1")
    connection.exec_driver_sql("ALTER TABLE unit RENAME TO unit_1")
    tables.create_all(connection)
    old = connection.exec_driver_sql("SELECT id, started, command, plan, rig, ended FROM session_1 ORDER BY id").all()
    for id_, started, command, plan, rig, ended in old:
        row = {"id": id_, "mark": uuid4().hex, "started": started, "command": command, "rig": rig, "ended": ended}
        connection.execute(insert(session).values(plan=plan, plan_name=plan_name_of(plan), host="", **row))
    units = connection.exec_driver_sql("SELECT session, n, name, verdict, line, at FROM unit_1 ORDER BY session, n")
    for id_, n, name, verdict, line, at in units.all():
        row = {"session": id_, "n": n, "name": name, "verdict": verdict, "line": line}
        connection.execute(insert(entry).values(mark=uuid4().hex, kind=UNIT, at=datetime.fromisoformat(at), **row))
    connection.exec_driver_sql("DROP TABLE unit_1")
    connection.exec_driver_sql("DROP TABLE session_1")
