"""What records hold, as a reader meets it: sessions and their entries, frozen data."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

UNIT = "unit"
DEEPEST = 8  # lists of points in a list are the third
KINDS = (UNIT, "strip", "block", "note")


@dataclass(frozen=True, slots=True)
class Session:
    """One sitting at a table. `plan` is the plan file's own text ("" without one), `rig` the name of the rig file."""

    id: int
    started: datetime
    command: str
    plan: str
    rig: str
    ended: datetime | None = None
    plan_name: str = ""
    mark: str = ""  # the same wherever the session is carried to; an `id` is one database's own
    host: str = ""  # the computer at that table; "" where it is not known

    @property
    def keys(self) -> dict[str, object]:
        """What is told of it wherever it is listed."""
        return {
            "session": self.id,
            "host": self.host,
            "started": self.started.isoformat(),
            "ended": None if self.ended is None else self.ended.isoformat(),
            "command": self.command,
            "plan": self.plan_name,
        }


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that was measured or noted: `line` is its whole event as one line of JSON."""

    n: int  # from 1, in the order kept
    name: str | None
    verdict: str | None
    line: str
    at: datetime
    kind: str = UNIT  # of KINDS
    undone: datetime | None = None  # when the person took it back

    def event(self) -> Mapping[str, object]:
        """The event, with the keys that scripts are told; empty where the line is none.

        Others may write into a database: numbers that are none, and what is nested deeper than any event, are None.

        >>> Entry(1, "star", "fits", '{"event": "unit", "u_mm": 1e999}', datetime(2024, 5, 3)).event()
        {'event': 'unit', 'u_mm': None}
        """
        try:
            event = json.loads(self.line)
        except (ValueError, RecursionError):
            return {}
        return {key: plain(value) for key, value in event.items()} if isinstance(event, dict) else {}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which sessions a reader wants; what is not said does not matter. Days are those of the clock at the table."""

    ids: tuple[int, ...] = ()
    plan: str | None = None  # a part of the plan's name, in small or capital letters
    command: str | None = None
    host: str | None = None
    verdict: str | None = None  # at least one unit was judged so, and was not taken back
    since: date | None = None
    until: date | None = None  # that day still counts


EVERY_SESSION = Wanted()


def plain(value: object, depth: int = 1) -> object:
    """A value as JSON knows it: what is not finite is None, and what is nested deeper than any event."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if not isinstance(value, list | dict):
        return value
    if depth == DEEPEST:
        return None
    if isinstance(value, list):
        return [plain(one, depth + 1) for one in value]
    return {key: plain(one, depth + 1) for key, one in value.items()}


def standing_units(entries: Iterable[Entry]) -> list[Entry]:
    """The units that stand, in the order kept."""
    return [entry for entry in entries if entry.kind == UNIT and entry.undone is None]


def line_of(event: Mapping[str, object]) -> str:
    """An event as it is kept."""
    return json.dumps(plain(dict(event)))


def plan_name_of(text: str) -> str:
    """The name in a plan's text; "" where it has none.

    >>> plan_name_of('name = "Harbour lights"')
    'Harbour lights'
    """
    try:
        name = tomllib.loads(text).get("name", "")
    except (tomllib.TOMLDecodeError, RecursionError):
        return ""
    return name if isinstance(name, str) else ""
