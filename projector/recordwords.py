"""Sessions and what was kept of them in words, a line each."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
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
    return (
        f"{event['session']}: {when}, {shown(event['command'])}{name}, {units}{f': {counts}' if counts else ''}{ended}."
    )


def entry_words(event: Mapping[str, Any]) -> str:
    """One line for a unit, a strip, a block or a note."""
    name = f' "{shown(event["name"])}"' if event["name"] else ""
    verdict = shown(event["verdict"]).replace("_", " ") if event["verdict"] else "measured, not judged"
    why = event["measured"].get("why")
    widths = [one.get("mean") for one in event["measured"].get("widths_mm") or [] if isinstance(one, dict)]
    wide = " and ".join(f"{width:.2f}" for width in widths if isinstance(width, int | float))
    told = [verdict, *([shown(why)] if isinstance(why, str) else []), *([f"{wide} mm wide"] if wide else [])]
    back = "; taken back" if event["undone"] else ""
    when = f"{datetime.fromisoformat(event['at']):%H:%M:%S}"
    return f"  {event['n']}: {when}, {event['kind']}{name}: {', '.join(told)}{back}."


def shown(text: str) -> str:
    """A text from a plan or a database as it may stand in a line: nothing in it moves the cursor or breaks the line.

    >>> shown("a\\x1b[2Jb\\n")
    'a�[2Jb�'
    """
    plain = "".join("�" if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") else c for c in text[:LONGEST])
    return plain if len(text) <= LONGEST else f"{plain}…"
