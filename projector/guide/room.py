"""Free room in the light: where words can stand without lying on cloth, on the cut or on other words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from projector.guide.scenes import Ink, Point, Words

CLEARANCE_MM = 5.0
GRID_MM = 8.0
BELOW, ABOVE = 0.3, 1.3  # a line of text reaches from here to there, in heights of a capital
SLIM, SPARE, BROAD = "ijl.,;:'| ", "frt-()", "mwMW"
FRACTION = re.compile(r"(\d+)/(\d+)")
_AT_ONCE = 512


@dataclass(frozen=True, slots=True)
class Row:
    """One line of text of a block, and how high its capitals are."""

    text: str
    height_mm: float
    ink: Ink = Ink.WORDS

    @property
    def width_mm(self) -> float:
        """An estimate on the safe side; the true width is the typeface's."""
        text = FRACTION.sub(lambda found: max(found[1], found[2], key=len), self.text)
        return self.height_mm * sum(_letter_width(letter) for letter in text)

    @property
    def depth_mm(self) -> float:
        return self.height_mm * (ABOVE + BELOW)


@dataclass(frozen=True, eq=False, slots=True)
class Room:
    """The lit area of the mat, and what is taken of it already."""

    area: Polygon
    taken: tuple[BaseGeometry, ...] = ()

    def without(self, *shapes: BaseGeometry) -> Room:
        """The room that is left when these are taken too."""
        return Room(self.area, self.taken + shapes)

    def free_place(self, width_mm: float, depth_mm: float, near_mat_mm: Point) -> Point | None:
        """Middle of an upright box in free room, as near to a point as can be; None if there is none.

        Looked for on a grid of `GRID_MM`; the box keeps `CLEARANCE_MM` from all that is taken.
        """
        free = self.area - shapely.union_all([shape.buffer(CLEARANCE_MM) for shape in self.taken])
        middles = _grid(self.area.bounds, width_mm, depth_mm, near_mat_mm)
        shapely.prepare(free)
        for start in range(0, len(middles), _AT_ONCE):
            x, y = middles[start : start + _AT_ONCE].T
            half, deep = width_mm / 2.0, depth_mm / 2.0
            fits = shapely.covers(free, shapely.box(x - half, y - deep, x + half, y + deep))
            if fits.any():
                first = int(np.argmax(fits))
                return float(x[first]), float(y[first])
        return None

    def write(self, rows: Sequence[Row], near_mat_mm: Point, indent_mm: float = 0.0) -> Written | None:
        """Lay a block of lines near a point; None if there is no room.

        `indent_mm` is left free before the first line, for a sign.
        """
        wide, deep = block_size(rows, indent_mm)
        middle = self.free_place(wide, deep, near_mat_mm)
        return None if middle is None else self.write_at(rows, middle, indent_mm)

    def write_at(self, rows: Sequence[Row], middle_mat_mm: Point, indent_mm: float = 0.0) -> Written:
        """Lay a block of lines with its middle at a point, free or not."""
        wide, deep = block_size(rows, indent_mm)
        x, top = middle_mat_mm[0], middle_mat_mm[1] + deep / 2.0
        words: list[Words] = []
        for row in rows:
            shift = indent_mm / 2.0 if row is rows[0] else 0.0
            words.append(Words(row.text, (x + shift, top - ABOVE * row.height_mm), row.height_mm, row.ink))
            top -= row.depth_mm
        half, low = wide / 2.0, middle_mat_mm[1] - deep / 2.0
        box = shapely.box(x - half, low, x + half, low + deep)
        first = rows[0]
        sign = (x - (first.width_mm + indent_mm) / 2.0, words[0].at_mat_mm[1] + first.height_mm / 2.0)
        return Written(tuple(words), self.without(box), sign)


@dataclass(frozen=True, eq=False, slots=True)
class Written:
    """A block of lines in place, the room left, and where its indent begins."""

    words: tuple[Words, ...]
    room: Room
    indent_mat_mm: Point


def block_size(rows: Sequence[Row], indent_mm: float = 0.0) -> tuple[float, float]:
    """Width and depth of a block of lines, mm."""
    wide = max(row.width_mm + (indent_mm if row is rows[0] else 0.0) for row in rows)
    return wide, sum(row.depth_mm for row in rows)


def _letter_width(letter: str) -> float:
    """Room of one letter of a bold sans serif, in heights of a capital."""
    if letter in SLIM:
        return 0.40
    if letter in SPARE:
        return 0.57
    if letter in BROAD:
        return 1.35
    return 1.02 if letter.isupper() else 0.86


def _grid(
    bounds: tuple[float, float, float, float], width_mm: float, depth_mm: float, near: Point
) -> NDArray[np.float64]:
    """Middles (M, 2) of boxes inside the bounds, the nearest first; the very nearest is among them."""
    left, low, right, high = bounds
    x_range = (left + width_mm / 2.0, right - width_mm / 2.0)
    y_range = (low + depth_mm / 2.0, high - depth_mm / 2.0)
    if x_range[0] > x_range[1] or y_range[0] > y_range[1]:
        return np.empty((0, 2))
    xs = np.append(np.arange(*x_range, GRID_MM), [np.clip(near[0], *x_range), x_range[1]])
    ys = np.append(np.arange(*y_range, GRID_MM), [np.clip(near[1], *y_range), y_range[1]])
    middles = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    return np.asarray(middles[np.argsort(np.hypot(*(middles - np.array(near)).T), kind="stable")])
