"""Lines of text as masks: capitals of a stated height, true fractions, a real minus, tabular figures.

The typeface is the one that pygame ships (FreeSans Bold); its figures are all equally wide.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.light.quietly import imported_pygame

FRACTION = re.compile(r"(?:(?<=\d) +)?(?<![\d/⁄.])(\d+)[/⁄](\d+)(?![\d/⁄])")
MINUS = re.compile(r"(?<![\w)])-(?=\d)")
REFERENCE_PX = 400  # size at which the typeface is measured

# A fraction, in heights of a capital.
SMALL = 0.66
BAR = 0.09
GAP = 0.09
BESIDE = 0.12  # before and after it
BELOW, ABOVE = 0.30, 1.30  # a whole line reaches from here to there


@dataclass(frozen=True, slots=True)
class Glyph:
    """One character in place, in heights of a capital from the line's left end and baseline."""

    character: str
    x: float
    y: float
    size: float


@dataclass(frozen=True, slots=True)
class Bar:
    """A fraction's bar, its left end and middle height."""

    x: float
    y: float
    width: float


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text laid out."""

    pieces: tuple[Glyph | Bar, ...]
    width: float


@dataclass(frozen=True, eq=False, slots=True)
class Mask:
    """A line of text drawn: (height, width) 0 to 255, and where its left end on the baseline is."""

    pixels: NDArray[np.uint8]
    origin_px: tuple[int, int]  # column, row


def text_width_mm(text: str, height_mm: float) -> float:
    """How wide a line of text is when its capitals are `height_mm` high."""
    return set_line(text).width * height_mm


def text_reach_mm(height_mm: float) -> tuple[float, float]:
    """How far any line reaches below and above its baseline, fractions and descenders included."""
    return BELOW * height_mm, ABOVE * height_mm


@lru_cache(maxsize=256)
def set_line(text: str) -> Line:
    """Lay out one line of text."""
    text = MINUS.sub("−", text)
    pieces: list[Glyph | Bar] = []
    x, at = 0.0, 0
    for found in FRACTION.finditer(text):
        x = _set_run(text[at : found.start()], x, 0.0, 1.0, pieces)
        x = _set_fraction(found[1], found[2], x, pieces)
        at = found.end()
    x = _set_run(text[at:], x, 0.0, 1.0, pieces)
    return Line(tuple(pieces), x)


def _set_run(text: str, x: float, y: float, size: float, pieces: list[Glyph | Bar]) -> float:
    """Put characters side by side; the new end."""
    for character in text:
        pieces.append(Glyph(character, x, y, size))
        x += _advance(character) * size
    return x


def _set_fraction(upper: str, lower: str, x: float, pieces: list[Glyph | Bar]) -> float:
    """Numerator, bar, denominator, in the middle of the capitals' height; the new end."""
    widths = [sum(map(_advance, part)) * SMALL for part in (upper, lower)]
    wide = max(widths)
    x += BESIDE if pieces else 0.0
    middle = 0.5
    _set_run(upper, x + (wide - widths[0]) / 2, middle + BAR / 2 + GAP, SMALL, pieces)
    _set_run(lower, x + (wide - widths[1]) / 2, middle - BAR / 2 - GAP - SMALL, SMALL, pieces)
    pieces.append(Bar(x, middle, wide))
    return x + wide + BESIDE


@lru_cache(maxsize=64)
def draw_line(text: str, capital_px: float) -> Mask:
    """Draw a line of text with capitals `capital_px` high."""
    line = set_line(text)
    margin = int(np.ceil(0.2 * capital_px)) + 1
    rows = int(np.ceil((BELOW + ABOVE) * capital_px)) + 2 * margin
    columns = int(np.ceil(line.width * capital_px)) + 2 * margin
    origin = (margin, margin + int(np.ceil(ABOVE * capital_px)))
    pixels = np.zeros((rows, columns), np.uint8)
    for piece in line.pieces:
        stamp, left, top = _stamp(piece, capital_px)
        _press(pixels, stamp, origin[0] + left, origin[1] + top)
    return Mask(pixels, origin)


def _stamp(piece: Glyph | Bar, capital_px: float) -> tuple[NDArray[np.uint8], int, int]:
    """A piece's pixels, and where its first one lies from the line's left end on the baseline."""
    left = piece.x * capital_px
    if isinstance(piece, Bar):
        size = (max(1, round(BAR * capital_px)), max(1, round(piece.width * capital_px)))
        return np.full(size, 255, np.uint8), round(left), round(-(piece.y + BAR / 2) * capital_px)
    pixels, bearing, rise = _glyph(piece.character, piece.size * capital_px)
    return pixels, round(left) + bearing, round(-piece.y * capital_px) - rise


def _press(page: NDArray[np.uint8], stamp: NDArray[np.uint8], left: int, top: int) -> None:
    """Put a stamp on the page, as far as the page reaches; where stamps overlap the greater counts."""
    rows = slice(max(top, 0), min(top + stamp.shape[0], page.shape[0]))
    columns = slice(max(left, 0), min(left + stamp.shape[1], page.shape[1]))
    part = stamp[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
    page[rows, columns] = np.maximum(page[rows, columns], part)


@cache
def _font() -> Any:
    """The typeface. It needs no screen."""
    freetype = imported_pygame().freetype
    freetype.init()
    return freetype.Font(None)


@cache
def _capital_share() -> float:
    """Height of a capital H by the typeface's nominal size."""
    return float(_glyph_at("H", REFERENCE_PX)[2]) / REFERENCE_PX


@cache
def _advance(character: str) -> float:
    """How far the next character lies, in heights of a capital."""
    metrics = _font().get_metrics(character, size=REFERENCE_PX)[0]
    return float(metrics[4]) / REFERENCE_PX / _capital_share() if metrics else 0.0


@lru_cache(maxsize=512)
def _glyph(character: str, capital_px: float) -> tuple[NDArray[np.uint8], int, int]:
    return _glyph_at(character, capital_px / _capital_share())


def _glyph_at(character: str, size_px: float) -> tuple[NDArray[np.uint8], int, int]:
    """Pixels, columns from the pen to the first, rows from the baseline up to the first."""
    metrics = _font().get_metrics(character, size=size_px)[0]
    if metrics is None or character.isspace():
        return np.zeros((0, 0), np.uint8), 0, 0
    data, (width, height) = _font().render_raw(character, size=size_px)
    return np.frombuffer(data, np.uint8).reshape(height, width), int(metrics[0]), int(metrics[3])
