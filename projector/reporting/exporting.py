"""The figures of a report for those who want to go on elsewhere: a row a reading, as CSV or JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from projector.files.wholefile import write_whole
from projector.records.export import ENDINGS, csv_text
from projector.records.rows import Sheet
from projector.reporting.contents import Part
from projector.reporting.faults import ReportError

COLUMNS = (
    *("plan", "session", "n", "at", "unit", "verdict", "why"),
    *("dimension", "kind", "measured_in", "planned", "lower", "upper", "value", "u"),
)
PLACES = 5


def export(path: Path, parts: Sequence[Part]) -> None:
    """Write the file. Raises ReportError for another ending than .csv or .json, OSError."""
    rows = list(rows_of(parts))
    if kind_of(path) == ".json":
        write_whole(path, json.dumps(rows, ensure_ascii=False, indent=1, allow_nan=False) + "\n")
        return
    table = Sheet(COLUMNS, tuple(tuple(row[name] for name in COLUMNS) for row in rows))
    write_whole(path, csv_text(table))


def kind_of(path: Path) -> str:
    """The file's ending. Raises ReportError."""
    kind = path.suffix.lower()
    if kind not in ENDINGS:
        raise ReportError(f"{path}: neither a table nor JSON; let its name end in .csv or .json")
    return kind


def rows_of(parts: Sequence[Part]) -> Iterator[dict[str, Any]]:
    """A row a reading; a unit without any has one row without a dimension. Lengths mm, angles degrees."""
    for part in parts:
        for unit in part.units:
            told = {
                "plan": part.title,
                "session": unit.session,
                "n": unit.n,
                "at": unit.at.isoformat(),
                "unit": unit.name,
                "verdict": unit.verdict,
                "why": unit.why,
            }
            if not unit.readings:
                yield told | dict.fromkeys(COLUMNS[len(told) :])
            for one, reading in unit.readings:
                figures = (one.planned, one.lower, one.upper, reading.value, reading.u)
                names = ("planned", "lower", "upper", "value", "u")
                yield (
                    told
                    | {"dimension": one.name, "kind": one.kind, "measured_in": one.unit}
                    | {
                        name: round(value, PLACES) if math.isfinite(value) else None
                        for name, value in zip(names, figures, strict=True)
                    }
                )
