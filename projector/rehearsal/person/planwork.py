"""What a plan means for the virtual person: strips to have ready, and what each cut should be."""

from __future__ import annotations

import math

from projector.piecing.plans import Plan
from projector.rehearsal.person.person import Work
from projector.rehearsal.person.sewnwork import sewn_to_lay
from projector.rehearsal.person.yardage import YardageToLay
from projector.rehearsal.things.cloth import ClothToLay
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.truth import CutDemand

SELVAGES_MM = 2 * 25.4  # of the cloth's width, beside what is usable of it (about an inch each, common practice)
SPARE_MM = 4.5 * 25.4  # the person has bought an eighth of a yard more than the plan says, to be on the safe side


def work_of(plan: Plan, sheet: PrintedSheet | None = None, layers: int = 2) -> Work:
    """The person's things for a plan; the cloth that it needs lies folded, `layers` deep."""
    cloths = tuple(
        ClothToLay(s.name, s.width_mm, s.length_mm, s.seams_mm, s.fabrics or ("cream",)) for s in plan.strips
    )
    demands = tuple(
        CutDemand(
            name=unit.name,
            source=unit.cut.strip,
            cut_width_mm=unit.cut.width_mm,
            angle_rad=unit.cut.angle_rad,
            lean=unit.cut.lean,
            margin_mm=plan.strip(unit.cut.strip).true_margin_mm,
            make=unit.cut.make,
        )
        for unit in plan.units
        if unit.cut is not None
    )
    return Work(sheet, cloths, (*demands, *_strip_demands(plan)), _yardage(plan, layers), sewn_to_lay(plan))


def _yardage(plan: Plan, layers: int) -> tuple[YardageToLay, ...]:
    usable_mm = plan.making.usable_mm if plan.making else max((strip.length_mm for strip in plan.strips), default=0.0)
    depth_mm = (usable_mm + SELVAGES_MM) / max(layers, 1)
    return tuple(YardageToLay(one.name, max(layers, 1), depth_mm, one.buy_mm + SPARE_MM) for one in plan.fabrics)


def _strip_demands(plan: Plan) -> tuple[CutDemand, ...]:
    """What is cut from the cloth of each fabric, square to its fold."""
    return tuple(
        CutDemand(strip.name, fabric, width_mm, math.pi / 2, "right", strip.true_margin_mm, strip.count)
        for strip in plan.strips
        for fabric, width_mm in zip(strip.fabrics, strip.bands_mm or (strip.width_mm,), strict=False)
        if strip.bands_mm or not strip.seams_mm
    )
