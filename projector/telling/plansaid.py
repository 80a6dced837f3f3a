"""What a session's plan says of its units, as far as it can still be read."""

from __future__ import annotations

from projector.guide.units.state import wanted_of
from projector.piecing.lengths import is_metric
from projector.piecing.planreading import plan_from_text
from projector.piecing.plans import Plan
from projector.piecing.shapes import ShapeError, parse_shape
from projector.piecing.tables import PlanError
from vision.comparing.expected import ExpectedShape, LengthUnit


def readable_plan(text: str) -> Plan | None:
    """The plan of a session, from its own text; None where there was none, or where it cannot be read any more."""
    try:
        return plan_from_text(text, "the plan") if text else None
    except PlanError:
        return None


def shape_of(plan: Plan | None, name: str) -> ExpectedShape | None:
    """What a unit of that name should be: the plan's, or the shape that the name is."""
    if plan is not None and name in {unit.name for unit in plan.units}:
        try:
            return wanted_of(plan, plan.unit(name))
        except ShapeError:
            return None
    try:
        shape = parse_shape(name)
    except ShapeError:
        return None
    said_in: LengthUnit = "mm" if is_metric(name) else "in"
    return ExpectedShape(name, shape.corners_mm, shape.seams_mm, shape.side_names, said_in=said_in)
