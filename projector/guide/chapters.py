"""A plan as the person meets it: chapters, one after the other. Pure data; `leading.py` leads through them."""

from __future__ import annotations

from dataclasses import dataclass

from projector.guide.setcheck.state import first_set
from projector.guide.sewn.state import sewn_kinds
from projector.guide.whole.state import block_unit
from projector.piecing.plans import Plan


@dataclass(frozen=True, slots=True)
class DueStrip:
    """Strips of one width that a strip or strip set of the plan is made of; `band` counts from its lower edge up."""

    strip: str  # name in the plan
    band: int
    width_mm: float
    length_mm: float
    count: int
    margin_mm: float  # cut off beyond the innermost point of a raw end


@dataclass(frozen=True, slots=True)
class YardageChapter:
    """Strips cut from one fabric, `layers` at a time: 1 is single cloth, 2 is folded once."""

    fabric: str
    layers: int
    due: tuple[DueStrip, ...]


@dataclass(frozen=True, slots=True)
class UnitsChapter:
    """All units of the plan that parallel cuts take from strips and strip sets, in the plan's order."""


@dataclass(frozen=True, slots=True)
class SetCheckChapter:
    """What the seams of the plan's first strip set take, of which the strips' own widths are known."""


@dataclass(frozen=True, slots=True)
class SewnChapter:
    """All units that are sewn of others, trimmed by their seams, in the plan's order."""


@dataclass(frozen=True, slots=True)
class BlockChapter:
    """The finished blocks."""


Chapter = YardageChapter | SetCheckChapter | UnitsChapter | SewnChapter | BlockChapter


def chapters_of(plan: Plan, layers: int = 0) -> tuple[Chapter, ...]:
    """The chapters that a plan has something for.

    Strips from yardage, fabric by fabric, where the plan says how much of each is needed; the seams of the first strip
    set; the units from strips; what is sewn of them; the finished block. With no `layers` of yardage to cut the strips
    are at hand.

    >>> chapters_of(Plan("nothing to cut"))
    ()
    """
    fabrics = [fabric.name for fabric in plan.fabrics] if layers else []
    yardage = [YardageChapter(fabric, layers, due_strips(plan, fabric)) for fabric in fabrics]
    rest: list[tuple[Chapter, bool]] = [
        (SetCheckChapter(), first_set(plan) is not None),
        (UnitsChapter(), plan.wanted > 0),
        (SewnChapter(), bool(sewn_kinds(plan))),
        (BlockChapter(), block_unit(plan) is not None),
    ]
    return (*(one for one in yardage if one.due), *(chapter for chapter, has_work in rest if has_work))


def due_strips(plan: Plan, fabric: str) -> tuple[DueStrip, ...]:
    """What is cut from a fabric, the widest first: what is left over then gives a narrow one yet (common practice).

    A strip set whose strips' own widths are not known gives none.
    """
    due = [
        DueStrip(strip.name, band, width_mm, strip.length_mm, strip.count, strip.true_margin_mm)
        for strip in plan.strips
        for band, (name, width_mm) in enumerate(zip(strip.fabrics, strip_widths_mm(plan, strip.name), strict=False))
        if name == fabric
    ]
    return tuple(sorted(due, key=lambda one: -one.width_mm))


def strip_widths_mm(plan: Plan, name: str) -> tuple[float, ...]:
    """How wide each strip of a strip set is cut before it is sewn, from the lower edge up; none where not known."""
    strip = plan.strip(name)
    return strip.bands_mm or (() if strip.seams_mm else (strip.width_mm,))
