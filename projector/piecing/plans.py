"""A plan: which strips to lay down, and which units to cut from them.

Pure data. `planreading.py` makes a plan from the text of a TOML file and writes one back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from projector.piecing.lengths import INCH_MM, is_metric
from projector.piecing.shapes import Lean, Shape, ShapeError, parse_shape, slant

Hand = Literal["left", "right"]
StripKind = Literal["strip", "strip_set"]
Way = Literal["turned", "nested"]
Place = tuple[float, float]
Line = tuple[Place, Place]


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
    bands_mm: tuple[float, ...] = ()  # how wide each strip of a set is cut before it is sewn, from the lower edge up
    stagger_mm: tuple[float, ...] = ()  # how far, at each seam, the strip above begins to the right of the one below

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
class Lay:
    """How patches of another shape come from a strip: `per_strip` of each, every second one turned, or nested."""

    strip: str  # name of the strip
    make: int
    per_strip: int
    way: Way = "turned"


@dataclass(frozen=True, slots=True)
class Trim:
    """A side to trim by a seam: `distance_mm` from the place `from_mm` on the seam, at an angle to it (0: along it)."""

    side: int
    seam: int
    from_mm: tuple[float, float]
    distance_mm: float
    angle_rad: float


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of the plan: cut from a strip by parallel cuts, or written as a shape.

    Exactly one of `cut` and `written` is given. What is written may be laid on a strip (`lay`), or is sewn of other
    units and then only measured, trimmed by its seams, and marked with dots where seams must meet. A tolerance left at
    None is the plan's. `side_tolerances_mm` gives each side its own, or none its own.
    """

    name: str
    cut: Cut | None = None
    written: str | None = None
    tolerance_mm: float | None = None
    angle_tolerance_rad: float | None = None
    side_tolerances_mm: tuple[float, ...] = ()
    lay: Lay | None = None
    seams_mm: tuple[Line, ...] = ()  # of a written shape, in its frame; the newest last, its first piece on the left
    trims: tuple[Trim, ...] = ()
    dots_mm: tuple[Place, ...] = ()


@dataclass(frozen=True, slots=True)
class Fabric:
    """How much of a cloth is needed along the selvage, and what to buy."""

    name: str
    need_mm: float
    buy_mm: float


@dataclass(frozen=True, slots=True)
class Step:
    """Two units sewn together, `count` times over. The allowances go toward `press`, one of them, or "open"."""

    sew: tuple[str, str]
    makes: str
    count: int
    press: str
    match: int = 0  # places along the seam where seams must meet
    set_in: int = 0  # places where the seam turns a corner


@dataclass(frozen=True, slots=True)
class OwnPatch:
    """A patch of one's own block: its corners, in the drawing's own frame or at the finished size."""

    fabric: str
    corners_mm: tuple[Place, ...]
    name: str = ""
    grain_rad: float | None = None


@dataclass(frozen=True, slots=True)
class OwnDisc:
    """A round patch laid over one's own block."""

    fabric: str
    middle_mm: Place
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Making:
    """Which block a plan makes, how large it is finished, and how often.

    One of the library goes by its name and settings; one's own has its patches here, at the finished size.
    """

    block: str
    finish_mm: float
    make: int
    usable_mm: float = 40.0 * INCH_MM  # of the cloth's width, between the selvages
    settings: tuple[tuple[str, str], ...] = ()
    patches: tuple[OwnPatch, ...] = ()
    discs: tuple[OwnDisc, ...] = ()


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
    making: Making | None = None
    fabrics: tuple[Fabric, ...] = ()
    steps: tuple[Step, ...] = ()

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

    @property
    def metric(self) -> bool:
        """Whether it was meant in millimetres: no 64th of an inch hits its finished size, or else any of its widths.

        What a plan leaves to the usual, like a quarter of an inch for seams, tells nothing of whoever made it.

        >>> Plan("a", (Strip("sea", 60.0, 1000.0),)).metric, Plan("a", (Strip("sea", 63.5, 1000.0),)).metric
        (True, False)
        """
        widths = [strip.width_mm for strip in self.strips] + [unit.cut.width_mm for unit in self.units if unit.cut]
        own = widths if self.making is None else [self.making.finish_mm]
        if not own:
            return any(is_metric(unit.written or "") for unit in self.units)
        parts = (length_mm / INCH_MM * 64.0 for length_mm in own)
        return all(abs(part - round(part)) > 1e-6 for part in parts)


def expected_shape(plan: Plan, unit: Unit) -> Shape:
    """The raw outline of a unit, right side up, named after it. Raises ShapeError, KeyError."""
    if unit.cut is None:
        if unit.written is None:
            raise ShapeError(f"{unit.name}: neither cut from a strip nor written as a shape; do one or the other")
        drawn = parse_shape(unit.written)
        seams_mm = np.array(unit.seams_mm, np.float64).reshape(-1, 2, 2) if unit.seams_mm else drawn.seams_mm
        return Shape(unit.name, drawn.corners_mm, drawn.side_names, seams_mm)
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
    A slanted end takes `slant_loss_mm` of the length, the truing cut `margin / sin(angle)`, each unit
    `cut / sin(angle)` (plane geometry). A hair (1e-9) is granted, so that a strip of just the right length is
    not refused for rounding.

    Examples
    --------
    >>> strip = Strip("a set", 88.9, 26 * 25.4, (44.45,))
    >>> units_from_strip(strip, Cut("a set", 7, 50.8, math.radians(45)))
    7
    """
    step_mm = cut.width_mm / math.sin(cut.angle_rad)
    lost_mm = strip.true_margin_mm / math.sin(cut.angle_rad) + slant_loss_mm(strip, cut)
    return max(0, math.floor((strip.length_mm - lost_mm) / step_mm + 1e-9))


def slant_loss_mm(strip: Strip, cut: Cut) -> float:
    """How much of a strip's length its raw square ends lose to slanted cuts.

    Flush strips lose the slant of the whole width; strips staggered as the cuts lean lose only that of the widest one.
    """
    if cut.angle_rad >= math.pi / 2:
        return 0.0
    return (max(strip.bands_mm) if staggered_for(strip, cut) else strip.width_mm) / math.tan(cut.angle_rad)


def staggered_for(strip: Strip, cut: Cut) -> bool:
    """Whether each strip of a set is shifted against the one below by just what the cuts lean between two seams."""
    if not strip.stagger_mm or len(strip.stagger_mm) != len(strip.seams_mm) or len(strip.bands_mm) < 2:
        return False
    lean = (1.0 if cut.lean == "right" else -1.0) / math.tan(cut.angle_rad)
    # The lowest strip's own height between its allowances is what its outer raw edge and first seam leave.
    allowance_mm = (sum(strip.bands_mm) - strip.width_mm) / (2.0 * len(strip.seams_mm))
    heights = [band - 2.0 * allowance_mm for band in strip.bands_mm[:-1]]
    return all(abs(step - lean * height) < 0.5 for step, height in zip(strip.stagger_mm, heights, strict=True))


def strips_needed(strip: Strip, cut: Cut) -> int | None:
    """How many strips the units need; None if a strip is too short for even one."""
    gives = units_from_strip(strip, cut)
    return math.ceil(cut.make / gives) if gives else None
