"""What is no unit: a strip of which the width is known, and a finished block with a star in it.

| written as | what it is |
| --- | --- |
| `strip(width)` | a strip or strip set, raw edge to raw edge; longer than the picture, perhaps |
| `star(points, side)` | a square block with a star of so many points, `side` from raw edge to raw edge |
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from projector.piecing.lengths import LONGEST_MM, LengthError, length_mm
from projector.piecing.shapes import WHOLES, ShapeError

FEWEST_POINTS, MOST_POINTS = 3, 64


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip or strip set, `width_mm` from raw edge to raw edge."""

    name: str
    width_mm: float


@dataclass(frozen=True, slots=True)
class Star:
    """A finished square block."""

    name: str
    points: int
    side_mm: float


def parse_whole(text: str) -> Strip | Star | None:
    """Read a text of the module's table; None where it begins otherwise. Raises ShapeError.

    >>> parse_whole("star(16, 457.2 mm)")
    Star(name='star(16, 457.2 mm)', points=16, side_mm=457.2)
    """
    name = " ".join(text.split())
    found = re.fullmatch(r"(strip|star) ?\((.*)\)", name, re.IGNORECASE)
    if found is None:
        return None
    kind, parts = found[1].lower(), [part.strip() for part in found[2].split(",")]
    if len(parts) != (1 if kind == "strip" else 2) or not all(parts):
        raise ShapeError(f"{_short(name)}: {len(parts)} parts with commas between are wrong; write {WHOLES[kind]}")
    if kind == "strip":
        return Strip(name, _size_mm(name, parts[0]))
    return Star(name, _points(name, parts[0]), _size_mm(name, parts[1]))


def _size_mm(name: str, text: str) -> float:
    try:
        size_mm = length_mm(text)
    except LengthError as error:
        raise ShapeError(f"{_short(name)}: {error}") from None
    if not 0.0 < size_mm <= LONGEST_MM:
        raise ShapeError(f"{_short(name)}: a size is 0 or over 100 m; write another")
    return size_mm


def _points(name: str, text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 4 and FEWEST_POINTS <= int(text) <= MOST_POINTS):
        do = f"write a whole number from {FEWEST_POINTS} to {MOST_POINTS}, like star(16, 18 in)"
        raise ShapeError(f'{_short(name)}: "{_short(text)}" points are none that a star has; {do}')
    return int(text)


def _short(text: str) -> str:
    return text if len(text) <= 80 else text[:79] + "…"
