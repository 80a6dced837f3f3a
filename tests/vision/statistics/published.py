"""Published tables as arrays."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

TABLES = Path(__file__).parents[3] / "fixtures" / "tables"


def rows_of(name: str) -> list[dict[str, str]]:
    """A table's rows, without the comments at its top."""
    lines = (TABLES / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def readings_of(name: str) -> NDArray[np.float64]:
    """(parts, people, rounds), of a table with a row a reading."""
    keys = [tuple(row.values()) for row in rows_of(name)]
    sides = [sorted({key[i] for key in keys}) for i in range(3)]
    readings = np.full([len(side) for side in sides], np.nan)
    for *places, value in keys:
        readings[tuple(side.index(place) for side, place in zip(sides, places, strict=True))] = float(value)
    return readings
