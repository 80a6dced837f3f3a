"""Free room in the light: where words can stand without lying on cloth, on the cut or on other words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

from projector.guide.scene.scenes import Ink, Point, Words

CLEARANCE_MM = 5.0
GRID_MM = 8.0
BELOW, ABOVE = 0.3, 1.3  # a line of text reaches from here to there, in heights of a capital
SLIM, SPARE, BROAD = "ijl.,;:'| ", "frt-()", "mwMW"
FRACTION = re.compile(r"(\d+)/(\d+)")
SMALL = 0.66  # size of a fraction's digits beside the line's
FIGURE = 0.96  # height of a digit in heights of a capital of its size: of the typeface
LEAST_DIGIT_MM = 8.0  # a fraction's digits are not read from where a person stands if they are lower
_AT_ONCE = 512


@dataclass(frozen=True, slots=True)
class Row:
    """One line of text of a block, and how high its capitals are to be."""

    text: str
    height_mm: float
    ink: Ink = Ink.WORDS

    @property
    def capital_mm(self) -> float:
        """How high its capitals are: more than asked for where a fraction's digits would be too low."""
        return max(self.height_mm, LEAST_DIGIT_MM / (SMALL * FIGURE)) if FRACTION.search(self.text) else self.height_mm

    @property
    def width_mm(self) -> float:
        """An estimate on the safe side; the true width is the typeface's."""
        text = FRACTION.sub(lambda found: max(found[1], found[2], key=len), self.text)
        return self.capital_mm * sum(_letter_width(letter) for letter in text)

    @property
    def depth_mm(self) -> float:
        return self.capital_mm * (ABOVE + BELOW)


@dataclass(frozen=True, eq=False, slots=True)
class Room:
    """The lit area of the mat, and what is taken of it already.

    Words are turned by `turn_rad`, a multiple of a quarter, to be upright for the person; boxes stand as they do.
    """

    area: BaseGeometry
    taken: tuple[BaseGeometry, ...] = ()
    turn_rad: float = 0.0

    def without(self, *shapes: BaseGeometry) -> Room:
        """The room that is left when these are taken too."""
        return Room(self.area, self.taken + shapes, self.turn_rad)

    def within(self, region: BaseGeometry) -> Room:
        """The part of the room that lies in a region."""
        return Room(self.area & region, self.taken, self.turn_rad)

    def is_free(self, shape: BaseGeometry) -> bool:
        """Whether a shape lies in the area and touches nothing that is taken."""
        return bool(self.area.covers(shape)) and all(taken.disjoint(shape) for taken in self.taken)

    @property
    def wide_mm(self) -> float:
        """How wide the area is for the person."""
        left, _, right, _ = self._own(self.area).bounds
        return float(right - left)

    @property
    def nearest_mat_mm(self) -> Point:
        """The middle of the area's edge that is nearest to the person."""
        left, low, right, _ = self._own(self.area).bounds
        return self._mat((left + right) / 2.0, low)

    def free_place(self, width_mm: float, depth_mm: float, near_mat_mm: Point) -> Point | None:
        """Middle of a box in free room, as near to a point as can be; None if there is none.

        Looked for on a grid of `GRID_MM`; the box keeps `CLEARANCE_MM` from all that is taken.
        """
        free = self._own(self.area - shapely.union_all([shape.buffer(CLEARANCE_MM) for shape in self.taken]))
        if free.is_empty:
            return None
        near = self._own(shapely.Point(near_mat_mm)).centroid
        middles = _grid(free.bounds, width_mm, depth_mm, (near.x, near.y))
        shapely.prepare(free)
        for start in range(0, len(middles), _AT_ONCE):
            x, y = middles[start : start + _AT_ONCE].T
            half, deep = width_mm / 2.0, depth_mm / 2.0
            fits = shapely.covers(free, shapely.box(x - half, y - deep, x + half, y + deep))
            if fits.any():
                first = int(np.argmax(fits))
                return self._mat(float(x[first]), float(y[first]))
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
        middle = self._own(shapely.Point(middle_mat_mm)).coords[0]
        x, top = middle[0], middle[1] + deep / 2.0
        words: list[Words] = []
        for row in rows:
            shift = indent_mm / 2.0 if row is rows[0] else 0.0
            at = self._mat(x + shift, top - ABOVE * row.capital_mm)
            words.append(Words(row.text, at, row.capital_mm, row.ink, self.turn_rad))
            top -= row.depth_mm
        first, half, low = rows[0], wide / 2.0, middle[1] - deep / 2.0
        box = rotate(shapely.box(x - half, low, x + half, low + deep), self.turn_rad, origin=(0, 0), use_radians=True)
        baseline = low + deep - ABOVE * first.capital_mm
        sign = self._mat(x - (first.width_mm + indent_mm) / 2.0, baseline + first.capital_mm / 2.0)
        return Written(tuple(words), self.without(box), sign, box)

    def _own(self, shape: BaseGeometry) -> BaseGeometry:
        """A shape as it lies for the person: their near side below."""
        return rotate(shape, -self.turn_rad, origin=(0, 0), use_radians=True) if self.turn_rad else shape

    def _mat(self, x: float, y: float) -> Point:
        cos, sin = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return cos * x - sin * y, sin * x + cos * y


@dataclass(frozen=True, eq=False, slots=True)
class Written:
    """A block of lines in place, the room left, where its indent begins, and the box that it fills."""

    words: tuple[Words, ...]
    room: Room
    indent_mat_mm: Point
    box: BaseGeometry


def block_size(rows: Sequence[Row], indent_mm: float = 0.0) -> tuple[float, float]:
    """Width and depth of a block of lines, mm."""
    wide = max(row.width_mm + (indent_mm if row is rows[0] else 0.0) for row in rows)
    return wide, sum(row.depth_mm for row in rows)


def wrapped(rows: Sequence[Row], width_mm: float) -> list[Row]:
    """The same lines, those that are wider than told broken between words. A word alone stays whole.

    >>> [row.text for row in wrapped([Row("true the raw end first", 10.0)], 110.0)]
    ['true the raw', 'end first']
    """
    found: list[Row] = []
    for row in rows:
        line = ""
        for word in row.text.split():
            longer = f"{line} {word}".strip()
            if line and replace(row, text=longer).width_mm > width_mm:
                found.append(replace(row, text=line))
                longer = word
            line = longer
        found.append(replace(row, text=line))
    return found


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
