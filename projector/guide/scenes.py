"""What the light should show, as data in millimetres of the mat frame. One renderer draws it on any target."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

Point = tuple[float, float]


class Ink(Enum):
    """What a mark means; the renderer gives it a colour that the person can tell from the others."""

    CUT = "cut"  # the next cut line
    KEEP = "keep"  # which side is kept
    OUTLINE = "outline"  # what was found
    WORDS = "words"
    GOOD = "good"
    BAD = "bad"
    DOUBT = "doubt"
    CAUTION = "caution"
    LAMP = "lamp"  # full, even light


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line of even width along points of the mat, dashed if told."""

    points_mat_mm: tuple[Point, ...]
    width_mm: float
    ink: Ink
    dash_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Fill:
    """A filled polygon."""

    corners_mat_mm: tuple[Point, ...]
    ink: Ink


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text. `at_mat_mm` is the middle of its baseline; `turn_rad` turns it counter-clockwise.

    Fractions are written with the fraction slash or plainly ("3 1/4 in") and drawn as true fractions.
    """

    text: str
    at_mat_mm: Point
    height_mm: float  # of capitals
    ink: Ink
    turn_rad: float = 0.0


Mark = Stroke | Fill | Words


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is in the light at one time."""

    name: str
    marks: tuple[Mark, ...] = ()
    cut_mat_mm: tuple[Point, Point] | None = None
    keep: Literal["left", "right"] | None = None  # of the cut, seen along it
    caution: bool = False  # true where the blade reminder is in the light
    lamp: float = 0.0  # even light over the whole picture, 0 to 1, linear


DARK = Scene("dark")
LAMP = Scene("lamp", lamp=1.0)
