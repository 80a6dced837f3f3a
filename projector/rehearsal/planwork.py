"""What a plan means for the virtual person: strips to have ready, and what each cut should be."""

from __future__ import annotations

from projector.piecing.plans import Plan
from projector.rehearsal.cloth import ClothToLay
from projector.rehearsal.person import Work
from projector.rehearsal.sheet import PrintedSheet
from projector.rehearsal.truth import CutDemand


def work_of(plan: Plan, sheet: PrintedSheet | None = None) -> Work:
    """The person's things for a plan."""
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
    return Work(sheet, cloths, demands)
