"""A plan as the person meets it: chapters, one after the other. Pure data; `leading.py` leads through them."""

from __future__ import annotations

from dataclasses import dataclass

from projector.piecing.plans import Plan


@dataclass(frozen=True, slots=True)
class UnitsChapter:
    """All units of the plan that parallel cuts take from strips and strip sets, in the plan's order."""


Chapter = UnitsChapter


def chapters_of(plan: Plan) -> tuple[Chapter, ...]:
    """The chapters that a plan has something for.

    >>> chapters_of(Plan("nothing to cut"))
    ()
    """
    return (UnitsChapter(),) if plan.wanted else ()
