"""What can go wrong with records, in one line for the person."""

from __future__ import annotations

import errno
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault of the world: `why` is a short code for scripts, `says` what is wrong, `do` what helps."""

    why: str
    says: str
    do: str


class RecordsError(Exception):
    """Records cannot be used; the message says in one line what to do. `trouble` tells it apart, where it is known."""

    def __init__(self, message: str, trouble: Trouble | None = None) -> None:
        super().__init__(message)
        self.trouble = trouble


GONE = Trouble("gone", "the database does not answer", "see that its server runs and the network is up")
REFUSED = Trouble("refused", "the database lets nobody in so", "look at its name, user and password")
NO_DRIVER = Trouble(
    "no_driver", "psycopg is not installed", "install chalkbeam with its extra: pip install '.[postgresql]'"
)
NO_SESSION = Trouble("no_session", "this session was deleted meanwhile", "begin a new one")
DAMAGED = Trouble("damaged", "holds what this program did not write", "give another name")
MISSING = Trouble("missing", "no such file", "give the file of records that cut or rehearse wrote")


def sqlite_trouble(error: sqlite3.Error, path: Path) -> Trouble:
    """By the primary result code (SQLite documentation, "Result and Error Codes")."""
    match getattr(error, "sqlite_errorcode", 0) & 0xFF:
        case sqlite3.SQLITE_NOTADB | sqlite3.SQLITE_CORRUPT:
            return Trouble("damaged", "not a journal, or damaged", "give another name")
        case sqlite3.SQLITE_FULL:
            return Trouble("disk_full", "the disk is full", "make room")
        case sqlite3.SQLITE_IOERR:
            return Trouble("disk_fails", "the disk fails, or is full", "make room, or look after the disk")
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return Trouble("busy", "in use by another program", "close it")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM if not os.path.exists(path):
            return Trouble("read_only", "cannot be written", f"make the folder {path.parent} writable, or give another")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return Trouble(
                "read_only", "cannot be written", "make the file and its folder writable, or give another name"
            )
        case _:
            return Trouble("failed", f"the records failed ({_first_line(error)})", "give another name")


def server_trouble(error: BaseException | None) -> Trouble:
    """By the class of SQLSTATE (PostgreSQL documentation, appendix "PostgreSQL Error Codes")."""
    state = getattr(error, "sqlstate", None) or ""
    if state[:2] in ("", "08", "57"):  # no answer at all; connection exceptions; shut down, or ended by its keeper
        text = str(error)
        return REFUSED if "authentication failed" in text or "does not exist" in text else GONE
    match state[:2]:
        case "28" | "3D":
            return REFUSED
        case "53":
            return Trouble("disk_full", "the database has no room left", "make room there")
        case "25" | "42":
            return Trouble("read_only", f"the database does not allow it ({_first_line(error)})", "ask who keeps it")
        case "55" | "40":
            return Trouble("busy", "the database is busy", "try again")
        case _:
            return Trouble("failed", f"the database failed ({_first_line(error)})", "ask who keeps it")


def file_trouble(error: OSError) -> Trouble:
    """Of a file that is no database."""
    if error.errno == errno.ENOSPC:
        return Trouble("disk_full", "the disk is full", "make room")
    return Trouble("read_only", f"cannot be used ({error.strerror})", "give another name")


def _first_line(error: BaseException | None) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
