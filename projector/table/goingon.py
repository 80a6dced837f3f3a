"""Going on with a plan that was left: what its records say, and whether the person wants that."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from calibration.rig import Rig
from projector.guide.carried import Carried, StripWidth
from projector.guide.scene.page import Page, title
from projector.guide.sitting import Sitting
from projector.guide.units.blade import Blade
from projector.guide.units.state import Kept
from projector.guide.whole.state import block_unit
from projector.light.showing import lit_mat, show
from projector.piecing.foresight.seamtest import Length, SeamTest
from projector.piecing.plans import Plan
from projector.predicting import piles_of
from projector.records.sessions import UNIT, Entry
from projector.table.devices import Table
from projector.table.opening import END, ON, answered
from vision.units import Verdict

ANEW = frozenset({"b", "pageup"})


def goes_on(table: Table, rig: Rig, sitting: Sitting, done: str, **counts: int) -> bool | None:
    """Ask whether to go on, where so much is `done`; None to end."""
    page = Page.of(lit_mat(rig), sitting=sitting)
    rows = title("go on where it was left?", done, "space goes on, b begins anew, q ends")
    x, y = rig.area_mat_mm.mean(axis=0)
    show(table, rig, page.written(rows, (float(x), float(y))).scene("go_on"))
    told = {"why": "unfinished", **counts}
    table.teller.tell("ask", what="confirm", instead="b begins anew, q ends", do=f"go on: {done}", **told)
    keys = answered(table, ON | ANEW | END)
    return None if keys & END else bool(keys & ON)


def carried_from(plan: Plan, entries: Sequence[Entry]) -> Carried:
    """What is carried on from a session's entries, in the order kept; what was taken back is not among them.

    A unit whose record does not say whether it counts (from an earlier version) counts.
    """
    kinds = {unit.name: kind for kind, unit in enumerate(plan.units)}
    stands = [entry for entry in entries if entry.undone is None]
    units = [entry for entry in stands if entry.kind == UNIT and entry.name in kinds]
    kept = tuple(Kept(kinds[str(one.name)], one.event().get("counts", True) is not False, entry=one.n) for one in units)
    made = tuple(sum(one.counts and one.kind == kind for one in kept) for kind in range(len(plan.units)))
    strips = tuple(_strip(entry) for entry in stands if entry.kind == "strip")
    block = block_unit(plan)
    return Carried(
        made,
        tuple(one for one in strips if one is not None),
        seam=next((test for entry in reversed(stands) if (test := _seam(entry)) is not None), None),
        before=tuple(piles_of(plan, (one.event() for one, told in zip(units, kept, strict=True) if told.counts))),
        blocks=sum(entry.kind == "block" and block is not None and entry.name == block.name for entry in stands),
        kept=kept,
        blade=_blade(units),
    )


def verdicts_of(entries: Iterable[Entry]) -> tuple[Verdict, ...]:
    """How the units of a pile were judged that was left."""
    known = {verdict.value: verdict for verdict in Verdict}
    return tuple(known[entry.verdict] for entry in entries if entry.verdict in known)


def _seam(entry: Entry) -> SeamTest | None:
    """What the seams of the first strip set take; None where the record is none of a seam check."""
    event = entry.event() if entry.kind == "strip" else {}
    mm, u_mm, planned_mm = (event.get(key) for key in ("seam_mm", "seam_u_mm", "seam_planned_mm"))
    if not (isinstance(mm, int | float) and isinstance(u_mm, int | float) and isinstance(planned_mm, int | float)):
        return None
    return SeamTest(Length(mm, u_mm), planned_mm)


def _strip(entry: Entry) -> StripWidth | None:
    """A strip cut from yardage; None where the record is not whole."""
    event = entry.event()
    wide, u, band = (event.get(key) for key in ("width_mm", "width_u_mm", "band"))
    if not (isinstance(wide, int | float) and isinstance(u, int | float) and isinstance(band, int)):
        return None
    count = event.get("at_once", 1)
    counts = isinstance(count, int) and entry.verdict != "short"
    return StripWidth(
        str(event.get("strip")), band, str(event.get("fabric")), wide, u, int(str(count)) if counts else 0
    )


def _blade(units: Iterable[Entry]) -> Blade:
    """What the cuts told of the hand, and the shift that the last line had."""
    cuts = [
        (float(beside), float(shift))
        for event in (one.event() for one in units)
        for beside, shift in [(event.get("beside_mm"), event.get("shift_mm"))]
        if isinstance(beside, int | float) and isinstance(shift, int | float)
    ]
    return Blade(tuple(beside for beside, _ in cuts), cuts[-1][1] if cuts else 0.0)
