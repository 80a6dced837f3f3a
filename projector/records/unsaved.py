"""What could not be saved: kept in memory, and in a file of lines of JSON in the first place that works."""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from projector.files.writable import folders
from projector.records.faults import RecordsError
from projector.records.sessions import KINDS, Entry, Session, plan_name_of

if TYPE_CHECKING:
    from projector.records.store import Store

SESSION_KEYS = ("mark", "command", "plan", "rig", "host")
ENTRY_KEYS = ("n", "name", "verdict", "line", "kind")
NAME = "chalkbeam-unsaved-{}.jsonl"
HOW = "give the file that was named when units could not be saved"


@dataclass(frozen=True, slots=True)
class Added:
    """An entry to be kept. `mark` is its own, whatever number it will have."""

    session: Session
    mark: str
    entry: Entry


@dataclass(frozen=True, slots=True)
class Lot:
    """Entries that were judged at one look, each with its mark: kept all or none."""

    session: Session
    marked: tuple[tuple[str, Entry], ...]


@dataclass(frozen=True, slots=True)
class Undone:
    """An entry that was taken back: by its mark, or by its number where an earlier sitting kept it."""

    session: Session
    n: int
    mark: str | None
    at: datetime


@dataclass(frozen=True, slots=True)
class Ended:
    """A session that was finished."""

    session: Session
    at: datetime


Deed = Added | Lot | Undone | Ended


def carry_out(store: Store, deed: Deed) -> None:
    """Do it in the database; done twice it is done once. Raises RecordsError."""
    match deed:
        case Added(session, mark, entry):
            store.add(session.id, mark, entry)
        case Lot(session, marked):
            store.add_all(session.id, marked)
        case Undone(session, n, mark, at):
            store.undo(session.id, n, at, mark)
        case Ended(session, at):
            store.end(session.id, at)


def size_of(deed: Deed) -> int:
    """How many deeds it stands for."""
    return len(deed.marked) if isinstance(deed, Lot) else 1


def entries_in(deeds: Iterable[Deed]) -> int:
    """How many entries they would keep."""
    return sum(size_of(deed) for deed in deeds if isinstance(deed, Added | Lot))


class Unsaved:
    """Deeds that wait, in their order, and the file that holds them as long as they do."""

    def __init__(self) -> None:
        self.deeds = deque[Deed]()
        self.file: Path | None = None
        self.unwritten = deque[Deed]()  # those of them that the file does not hold

    def add(self, deed: Deed) -> None:
        self.deeds.append(deed)
        self.unwritten.append(deed)

    def carry_out(self, store: Store) -> None:
        """Do them all, or as many as can be; after that no file is needed. Raises RecordsError at one that cannot."""
        while self.deeds:
            carry_out(store, self.deeds[0])
            self.deeds.popleft()
        self._leave()
        self.unwritten.clear()

    def entries(self) -> int:
        return entries_in(self.deeds)

    def write(self) -> None:
        """Write what is new into the file, on the disk before this returns; where that fails, all into another."""
        if self.file is not None and _written(self.file, "a", self.unwritten):
            self.unwritten.clear()
            return
        for path in _places():
            if _written(path, "x", self.deeds):
                self._leave()
                self.file = path
                self.unwritten.clear()
                return

    def where(self) -> str:
        """In words."""
        return "in memory" if self.file is None else f"in {self.file}"

    def _leave(self) -> None:
        if self.file is not None:
            with suppress(OSError):
                self.file.unlink()
        self.file = None


def read_unsaved(path: Path) -> Iterator[Deed]:
    """What such a file holds. Raises RecordsError. A last line that was not written to its end is passed over."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    except OSError as error:
        raise RecordsError(f"{path}: cannot be read ({error.strerror}); {HOW}") from None
    except UnicodeDecodeError:
        raise RecordsError(f"{path}: no lines of JSON; {HOW}") from None
    for number, line in enumerate(lines, 1):
        if not line.endswith("\n"):
            return
        try:
            yield _deed(json.loads(line))
        except (ValueError, KeyError, TypeError, RecursionError):
            raise RecordsError(f"{path}, line {number}: was not written by a journal; {HOW}") from None


def take_in(store: Store, deeds: Iterable[Deed]) -> int:
    """Save deeds that a file held, into the session they belong to; how many entries. Raises RecordsError."""
    sessions, count = dict[str, Session](), 0
    for deed in deeds:
        mark = deed.session.mark
        if mark not in sessions:
            sessions[mark] = store.begin(deed.session)
        carry_out(store, replace(deed, session=sessions[mark]))
        count += entries_in([deed])
    return count


def put_away(path: Path) -> None:
    """All of it is saved: its name says so, and it is not found again."""
    with suppress(OSError):
        path.replace(path.with_name(f"{path.name}.saved"))


def left_files() -> list[Path]:
    """Files that earlier sittings left, wherever they may be."""
    found = set[Path]()
    for folder in folders():
        with suppress(OSError):
            found.update(folder.glob(NAME.format("*")))
    return sorted(found)


def _places() -> Iterator[Path]:
    yield from (folder / NAME.format(f"{datetime.now():%Y%m%d-%H%M%S}-{os.getpid()}") for folder in folders())


def _written(path: Path, mode: str, deeds: Iterable[Deed]) -> bool:
    """Whether it is on the disk. What was begun in vain goes away, but never another's file."""
    try:
        with path.open(mode, encoding="utf-8") as file:
            try:
                file.writelines(f"{json.dumps(_data(deed))}\n" for deed in deeds)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                if mode == "x":
                    path.unlink(missing_ok=True)
                raise
    except OSError:
        return False
    return True


def _data(deed: Deed) -> dict[str, Any]:
    """A deed as JSON knows it, its session with it: the database that knows the session may be lost."""
    session = {name: getattr(deed.session, name) for name in SESSION_KEYS} | {"started": _text(deed.session.started)}
    match deed:
        case Added(_, mark, entry):
            return {"deed": "added", "session": session} | _entry_data(mark, entry)
        case Lot(_, marked):
            return {"deed": "lot", "session": session, "entries": [_entry_data(*one) for one in marked]}
        case Undone(_, n, mark, at):
            return {"deed": "undone", "session": session, "n": n, "mark": mark, "at": _text(at)}
        case Ended(_, at):
            return {"deed": "ended", "session": session, "at": _text(at)}


def _entry_data(mark: str, entry: Entry) -> dict[str, Any]:
    return {name: getattr(entry, name) for name in ENTRY_KEYS} | {"mark": mark, "at": _text(entry.at)}


def _deed(data: Any) -> Deed:
    """Raises KeyError, TypeError, ValueError."""
    of = data["session"]
    mark, command, plan, rig, host = (_str(of[name]) for name in SESSION_KEYS)
    started = datetime.fromisoformat(of["started"])
    session = Session(0, started, command, plan, rig, None, plan_name_of(plan), mark, host)
    match data["deed"]:
        case "added":
            return Added(session, *_marked(data))
        case "lot":
            return Lot(session, tuple(_marked(one) for one in data["entries"]))
        case "undone":
            return Undone(session, int(data["n"]), None if data["mark"] is None else _str(data["mark"]), _at(data))
        case "ended":
            return Ended(session, _at(data))
        case other:
            raise ValueError(other)


def _marked(data: Any) -> tuple[str, Entry]:
    kind, line = _str(data["kind"]), _str(data["line"])
    name, verdict = (None if data[key] is None else _str(data[key]) for key in ("name", "verdict"))
    if kind not in KINDS:
        raise ValueError(kind)
    return _str(data["mark"]), Entry(int(data["n"]), name, verdict, line, _at(data), kind)


def _at(data: Any) -> datetime:
    return datetime.fromisoformat(data["at"])


def _text(moment: datetime) -> str:
    return moment.isoformat()


def _str(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("a text is wanted")
    return value
