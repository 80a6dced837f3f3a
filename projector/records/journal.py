"""What a table writes into its records while the person works: nothing that was judged is lost, whatever fails.

A unit is on the disk before `record` returns. Where that cannot be (a full disk, a folder made read-only, a database
that went away), one line is told, the unit is kept in memory and in a file of its own, and saved when it can be.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from shlex import quote
from types import TracebackType
from typing import TYPE_CHECKING
from uuid import uuid4

from projector.records.faults import RecordsError
from projector.records.opening import open_records
from projector.records.sessions import UNIT, Entry, Session, line_of, plan_name_of
from projector.records.unsaved import Added, Deed, Ended, Lot, Undone, Unsaved, left_files, size_of

if TYPE_CHECKING:
    from projector.records.store import Store

HOST = platform.node()
Tell = Callable[..., object]  # as `Teller.tell`: an event's kind, and its keys


def _silent(event: str, **keys: object) -> None:
    pass


class Journal:
    """Open records, and what could not be saved in them yet; also a context manager that closes both.

    `records` reads them; what is unsaved is not in there.
    """

    def __init__(self, records: Store, tell: Tell = _silent) -> None:
        self.records, self._tell = records, tell
        self._unsaved = Unsaved()
        self._sessions = dict[int, Session]()
        self._last_n = dict[int, int]()
        self._marks = dict[tuple[int, int], str]()
        self._trouble: RecordsError | None = None  # which was told, while it lasts

    @classmethod
    def open(cls, address: str | Path, tell: Tell = _silent) -> Journal:
        """Open records, or begin them where there are none. Raises RecordsError."""
        journal = cls(open_records(address, make=True), tell)
        for file in left_files():
            tell("seen", what="unsaved", file=str(file), do=_taken_in(file, journal.records.place.file))
        return journal

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, kind: type[BaseException] | None, e: BaseException | None, t: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Save what is unsaved, or tell the file where it is."""
        try:
            if not self.save():
                self._tell_left()
        finally:
            self.records.close()

    def begin(self, started: datetime, command: str, plan: str, rig: str) -> int:
        """Open a session; its number. `plan` is the plan's text, or "". Raises RecordsError."""
        new = Session(0, started, command, plan, rig, None, plan_name_of(plan), uuid4().hex, HOST)
        return self._known(self.records.begin(new), 0)

    def unfinished(self, plan: str, command: str) -> Session | None:
        """The last session of this very plan text on this computer, if it was not finished: it can be gone on with.

        Another table that cuts the same plan has its own. Raises RecordsError.
        """
        found = self.records.unfinished(plan, command, HOST)
        if found is not None:
            self._known(found, self.records.last_n(found.id))
        return found

    def keep(self, session: int, event: Mapping[str, object], at: datetime) -> int:
        """Keep what was measured, told by its event: its kind, its name or else what was expected, and its verdict."""
        return self.keep_all(session, [event], at)[0]

    def keep_all(self, session: int, events: Sequence[Mapping[str, object]], at: datetime) -> list[int]:
        """Keep what was measured at one look, all or none of it, so that whoever resumes may lay all of it again."""
        entries = [_entry_of(event, at) for event in events]
        return self._record_all(session, entries) if entries else []

    def record(
        self, session: int, name: str | None, verdict: str | None, line: str, at: datetime, kind: str = UNIT
    ) -> int:
        """Keep what was judged; its number in the session, from 1. It is on the disk, or told to be unsaved."""
        return self._record_all(session, [Entry(0, name, verdict, line, at, kind)])[0]

    def undo(self, session: int, n: int, at: datetime) -> None:
        """Mark what was kept as `n` as taken back; nothing is deleted."""
        self._do(Undone(self._sessions[session], n, self._marks.get((session, n)), at))

    def end(self, session: int, ended: datetime) -> None:
        """Close a session: it was finished, there is nothing to resume."""
        self._do(Ended(self._sessions[session], ended))

    def save(self) -> bool:
        """Try once more to save what is unsaved; whether nothing is left."""
        waiting = self._unsaved.entries()
        try:
            self._unsaved.carry_out(self.records)
        except RecordsError as error:
            self._unsaved.write()
            if self._trouble is None:
                self._tell_trouble(error)
            self._trouble = error
            return False
        if self._trouble is not None:
            self._trouble = None
            self._tell("seen", what="records", where=self.records.place.said, saved=waiting)
        return True

    def _record_all(self, session: int, entries: Sequence[Entry]) -> list[int]:
        """Number what is new, mark it, and keep it in one."""
        first = self._last_n[session] + 1
        marked = tuple((uuid4().hex, replace(entry, n=n)) for n, entry in enumerate(entries, first))
        self._marks |= {(session, entry.n): mark for mark, entry in marked}
        self._last_n[session] += len(marked)
        self._do(
            Added(self._sessions[session], *marked[0]) if len(marked) == 1 else Lot(self._sessions[session], marked)
        )
        return [entry.n for _, entry in marked]

    def _do(self, deed: Deed) -> None:
        self._unsaved.add(deed)  # first of all: whatever interrupts what follows, it is saved at the end
        self.save()

    def _known(self, session: Session, last_n: int) -> int:
        self._sessions[session.id], self._last_n[session.id] = session, last_n
        return session.id

    def _tell_trouble(self, error: RecordsError) -> None:
        """Once, however many units it concerns."""
        why = error.trouble.why if error.trouble else "failed"
        file = None if self._unsaved.file is None else str(self._unsaved.file)
        do = f"{error}; what is judged is kept {self._unsaved.where()} meanwhile"
        self._tell("refused", what="records", why=why, where=self.records.place.said, file=file, do=do)

    def _tell_left(self) -> None:
        """At the very end."""
        file, count = self._unsaved.file, sum(map(size_of, self._unsaved.deeds))
        do = _taken_in(file, self.records.place.file) if file else "nothing can be written anywhere"
        keys = {"where": self.records.place.said, "file": None if file is None else str(file), "left": count}
        self._tell("refused", what="records", why="unsaved", do=do, **keys)


def _entry_of(event: Mapping[str, object], at: datetime) -> Entry:
    """Not numbered yet."""
    name, verdict = event.get("name") or event.get("expected"), event.get("verdict")
    name, verdict = (None if text is None else str(text) for text in (name, verdict))
    return Entry(0, name, verdict, line_of(event), at, str(event["event"]))


def _taken_in(file: Path, records: Path | None) -> str:
    """What saves it later; a server's address may hold a password, and is not said."""
    address = "ADDRESS" if records is None else quote(str(records))
    return f"chalkbeam records --take-in {quote(str(file))} --records {address} saves it"
