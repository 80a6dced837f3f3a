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
    RULER = "ruler"  # where the ruler lies
    LAMP = "lamp"  # full, even light
    DARK = "dark"  # no light: letters on a lit patch


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line of even width along points of the mat, dashed if told; half of the width lies on each side of them.

    With `lift_mm` it is aimed that much higher than the rest of the scene: at the top of a ruler, say.
    """

    points_mat_mm: tuple[Point, ...]
    width_mm: float
    ink: Ink
    dash_mm: float | None = None
    lift_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Fill:
    """A filled polygon."""

    corners_mat_mm: tuple[Point, ...]
    ink: Ink


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text. `at_mat_mm` is the middle of its baseline, or its left end; `turn_rad` turns it
    counter-clockwise.

    Fractions are written with the fraction slash or plainly ("3 1/4 in") and drawn as true fractions.
    """

    text: str
    at_mat_mm: Point
    height_mm: float  # of capitals
    ink: Ink
    turn_rad: float = 0.0
    anchor: Literal["middle", "left"] = "middle"


Mark = Stroke | Fill | Words


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is in the light at one time.

    `cut_mat_mm` is the cut itself: the edge, on the kept side, of the line that is drawn.
    """

    name: str
    marks: tuple[Mark, ...] = ()
    cut_mat_mm: tuple[Point, Point] | None = None
    keep: Literal["left", "right"] | None = None  # of the cut, seen along it
    caution: bool = False  # true where the blade reminder is in the light
    caution_doubt: str = ""  # why it may not be read there, in a sentence; empty where nothing speaks against it
    lamp: float = 0.0  # even light over the whole picture, 0 to 1, linear
    layers: int = 1  # of cloth that the cut lies on


DARK = Scene("dark")
LAMP = Scene("lamp", lamp=1.0)
