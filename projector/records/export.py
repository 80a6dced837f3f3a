"""Records for those who want to go on elsewhere: a table as CSV, or everything as JSON."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from projector.files.wholefile import write_whole
from projector.records.faults import RecordsError, file_trouble
from projector.records.rows import Cell, Kept, Sheet, sheet_of

ENDINGS = (".csv", ".json")
LONGEST = 32_000  # characters in a cell; a spreadsheet has room for 32,767 and lays the rest into another cell
NO_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")

# Where a spreadsheet would take what follows for a formula: at the start of a cell, or, in one that parts cells by
# semicolons or tabs, after these; spaces and quotes are passed over. Some take signs of full width too.
FORMULA = re.compile(r"""(^|[;\t\r\n])(?=[\s"']*[=+\-@＝＋－＠])|^(?=[\t\r\n])""")


def write_export(path: Path, kept: Sequence[Kept]) -> None:
    """Write sessions into a file, the kind told by its ending; wholly or not at all. Raises RecordsError."""
    text = csv_text(sheet_of(kept)) if path.suffix.lower() == ".csv" else json_text(kept)
    try:
        write_whole(path, text)
    except OSError as error:
        trouble = file_trouble(error)
        raise RecordsError(f"{path}: {trouble.says}; {trouble.do}") from None


def csv_text(sheet: Sheet) -> str:
    """A table as CSV (RFC 4180): lines end in CR LF, text in quotes, quotes doubled; the first line names the columns.

    No text is a formula to a spreadsheet: one that would begin as such has an apostrophe before it (OWASP, "CSV
    Injection", and its Application Security Verification Standard 5.0, requirement 1.2.10). Numbers stay numbers, also
    those with a minus sign.
    """
    text = io.StringIO()
    writer = csv.writer(text, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    writer.writerow(map(_safe, sheet.columns))
    writer.writerows(map(_safe, row) for row in sheet.rows)
    return text.getvalue()


def json_text(kept: Iterable[Kept]) -> str:
    """Sessions with everything that was kept of them, each event whole; ASCII, so that every reader takes it."""
    sessions = [
        {
            **session.keys,
            "plan_text": session.plan,
            "rig": session.rig,
            "entries": [
                {
                    "n": entry.n,
                    "kind": entry.kind,
                    "name": entry.name,
                    "verdict": entry.verdict,
                    "at": entry.at.isoformat(),
                    "undone": None if entry.undone is None else entry.undone.isoformat(),
                    "event": entry.event(),
                }
                for entry in entries
            ],
        }
        for session, entries in kept
    ]
    return json.dumps({"sessions": sessions}, indent=1, allow_nan=False) + "\n"


def _safe(value: Cell) -> Cell:
    """A cell that no reader takes for anything but what it says."""
    if not isinstance(value, str):
        return "" if value is None else value
    text = NO_TEXT.sub("�", value)
    return FORMULA.sub(lambda found: f"{found[0]}'", text if len(text) <= LONGEST else f"{text[:LONGEST]}…")
