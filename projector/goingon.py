"""What the records of a session say of a plan that is gone on with: the judgements that stand, and the hand's blade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from projector.guide.blade import Blade
from projector.guide.leading import Carried
from projector.guide.state import Kept
from projector.piecing.plans import Plan
from projector.records.sessions import Entry


def carried_from(plan: Plan, entries: Sequence[Entry]) -> Carried:
    """What is carried on from a session's units, in the order kept; what was taken back is not among them.

    A unit whose record does not say whether it counts (from an earlier version) counts.
    """
    kinds = {unit.name: kind for kind, unit in enumerate(plan.units)}
    units = [entry for entry in entries if entry.name in kinds and entry.undone is None]
    kept = tuple(Kept(kinds[str(one.name)], one.event().get("counts", True) is not False, entry=one.n) for one in units)
    made = tuple(sum(one.counts and one.kind == kind for one in kept) for kind in range(len(plan.units)))
    return Carried(made, kept=kept, blade=_blade(units))


def _blade(units: Iterable[Entry]) -> Blade:
    """What the cuts told of the hand, and the shift that the last line had."""
    cuts = [
        (float(beside), float(shift))
        for event in (one.event() for one in units)
        for beside, shift in [(event.get("beside_mm"), event.get("shift_mm"))]
        if isinstance(beside, int | float) and isinstance(shift, int | float)
    ]
    return Blade(tuple(beside for beside, _ in cuts), cuts[-1][1] if cuts else 0.0)
