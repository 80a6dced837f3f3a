"""A plan: which strips to lay down, and which units to cut from them.

Pure data. `planreading.py` makes a plan from the text of a TOML file and writes one back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from projector.piecing.lengths import INCH_MM
from projector.piecing.shapes import Lean, Shape, ShapeError, parse_shape, slant

Hand = Literal["left", "right"]
StripKind = Literal["strip", "strip_set"]


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip, or a strip set where it has seams, lying across. `count` of them are to be had."""

    name: str
    width_mm: float
    length_mm: float
    seams_mm: tuple[float, ...] = ()  # distance of each from the lower edge
    fabrics: tuple[str, ...] = ()  # from the lower edge up
    true_margin_mm: float = INCH_MM / 8  # cut off beyond the innermost point of an end that is trued
    count: int = 1

    @property
    def kind(self) -> StripKind:
        return "strip_set" if self.seams_mm else "strip"


@dataclass(frozen=True, slots=True)
class Cut:
    """How units come from a strip: parallel cuts `width_mm` apart at `angle_rad` to its edge."""

    strip: str  # name of the strip
    make: int  # how many units are wanted
    width_mm: float
    angle_rad: float = math.pi / 2
    lean: Lean = "right"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of the plan: cut from a strip, or written as a shape and then measured only.

    Exactly one of `cut` and `written` is given. A tolerance left at None is the plan's. `side_tolerances_mm` gives each
    side its own, or none its own.
    """

    name: str
    cut: Cut | None = None
    written: str | None = None
    tolerance_mm: float | None = None
    angle_tolerance_rad: float | None = None
    side_tolerances_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that is to be cut, in order, and how exact it must be."""

    name: str
    strips: tuple[Strip, ...] = ()
    units: tuple[Unit, ...] = ()
    hand: Hand = "right"
    tolerance_mm: float = INCH_MM / 32
    angle_tolerance_rad: float = math.radians(0.5)
    seam_allowance_mm: float = INCH_MM / 4

    def strip(self, name: str) -> Strip:
        """The strip of that name. Raises KeyError."""
        return {strip.name: strip for strip in self.strips}[name]

    def unit(self, name: str) -> Unit:
        """The unit of that name. Raises KeyError."""
        return {unit.name: unit for unit in self.units}[name]

    @property
    def wanted(self) -> int:
        """Number of units to be cut."""
        return sum(unit.cut.make for unit in self.units if unit.cut)


def expected_shape(plan: Plan, unit: Unit) -> Shape:
    """The raw outline of a unit, right side up, named after it. Raises ShapeError, KeyError."""
    if unit.cut is None:
        if unit.written is None:
            raise ShapeError(f"{unit.name}: neither cut from a strip nor written as a shape; do one or the other")
        drawn = parse_shape(unit.written)
        return Shape(unit.name, drawn.corners_mm, drawn.side_names, drawn.seams_mm)
    strip = plan.strip(unit.cut.strip)
    cut = unit.cut
    return slant(strip.width_mm, cut.width_mm, cut.angle_rad, cut.lean, strip.seams_mm, unit.name)


def expected_shapes(plan: Plan) -> dict[str, Shape]:
    """The raw outline of every unit, by name. Raises ShapeError, KeyError."""
    return {unit.name: expected_shape(plan, unit) for unit in plan.units}


def units_from_strip(strip: Strip, cut: Cut) -> int:
    """How many units one strip gives when its first end is trued and its last is raw and square.

    Notes
    -----
    A slanted end takes `width / tan(angle)` of the length, the truing cut `margin / sin(angle)`, each unit
    `cut / sin(angle)` (plane geometry). A hair (1e-9) is granted, so that a strip of just the right length is
    not refused for rounding.

    Examples
    --------
    >>> strip = Strip("a set", 88.9, 26 * 25.4, (44.45,))
    >>> units_from_strip(strip, Cut("a set", 7, 50.8, math.radians(45)))
    7
    """
    step_mm = cut.width_mm / math.sin(cut.angle_rad)
    lost_mm = strip.true_margin_mm / math.sin(cut.angle_rad)
    if cut.angle_rad < math.pi / 2:
        lost_mm += strip.width_mm / math.tan(cut.angle_rad)
    return max(0, math.floor((strip.length_mm - lost_mm) / step_mm + 1e-9))


def strips_needed(strip: Strip, cut: Cut) -> int | None:
    """How many strips the units need; None if a strip is too short for even one."""
    gives = units_from_strip(strip, cut)
    return math.ceil(cut.make / gives) if gives else None
