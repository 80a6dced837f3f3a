"""Sessions and what was kept of them in words, a line each."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

LONGEST = 60  # of a name that somebody gave


def session_words(event: Mapping[str, Any]) -> str:
    """One line for a session."""
    name = f' "{shown(event["plan"])}"' if event["plan"] else ""
    counts = ", ".join(f"{count} {shown(verdict).replace('_', ' ')}" for verdict, count in event["verdicts"].items())
    ended = "" if event["ended"] else "; not finished"
    units = f"{event['units']} unit{'' if event['units'] == 1 else 's'}"
    when = f"{datetime.fromisoformat(event['started']):%Y-%m-%d %H:%M}"
    where = f" at {shown(event['host'])}" if event.get("host") else ""
    return (
        f"{event['session']}: {when}, {shown(event['command'])}{where}{name}, {units}"
        f"{f': {counts}' if counts else ''}{ended}."
    )


def entry_words(event: Mapping[str, Any]) -> str:
    """One line for a unit, a strip, a block or a note."""
    name = f' "{shown(event["name"])}"' if event["name"] else ""
    verdict = shown(event["verdict"]).replace("_", " ") if event["verdict"] else "measured, not judged"
    why = event["measured"].get("why")
    told = [verdict, shown(why) if isinstance(why, str) else "", *_sizes(event["measured"])]
    back = "; taken back" if event["undone"] else ""
    when = f"{datetime.fromisoformat(event['at']):%H:%M:%S}"
    return f"  {event['n']}: {when}, {event['kind']}{name}: {', '.join(filter(None, told))}{back}."


def _sizes(measured: Mapping[str, Any]) -> Iterator[str]:
    """The widths of a unit by the numbers of their sides, the width of a strip, what its seams take."""
    widths = [one for one in measured.get("widths_mm") or [] if isinstance(one, dict)]
    in_order = sorted(widths, key=lambda one: str(one.get("sides")))
    wide = [one.get("mean") for one in in_order] or [measured.get("width_mm")]
    known = [f"{width:.2f}" for width in wide if isinstance(width, int | float)]
    if known:
        yield f"{' and '.join(known)} mm wide"
    if isinstance(seam := measured.get("seam_mm"), int | float):
        yield f"a seam takes {seam:.2f} mm"


def shown(text: str) -> str:
    """A text from a plan or a database as it may stand in a line: nothing in it moves the cursor or breaks the line.

    >>> shown("a\\x1b[2Jb\\n")
    'a�[2Jb�'
    """
    plain = "".join("�" if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") else c for c in text[:LONGEST])
    return plain if len(text) <= LONGEST else f"{plain}…"
