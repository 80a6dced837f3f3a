"""What the chapter of sewn units knows between two observations, and which units it leads through: frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps
from projector.guide.looks import Look
from projector.guide.scene.scenes import Point
from projector.guide.sewn.place import LaidUnit
from projector.guide.sewn.trims import SideToTrim, TrimLine
from projector.guide.sitting import USUAL, Sitting
from projector.guide.units.state import wanted_of
from projector.piecing.plans import Plan, Unit
from projector.piecing.plans import Step as SewingStep
from vision.seams.inside import MOST_SEAMS

Floats = NDArray[np.float64]


class Phase(Enum):
    """What the chapter is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_SEWN = "lay_sewn"  # the next unit, sewn and pressed
    TRIM = "trim"  # a side cut off along the light
    TURN_SEWN = "turn_sewn"  # the unit turned, so that the next cut runs away from the person
    MARK = "mark"  # dots and the press arrow taken over; the unit taken away
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class Sewn:
    """Sewn units between two observations. `made` counts the judged units of each kind of the plan."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    made: tuple[int, ...]
    kind: int  # index of the unit of the plan that is asked for
    phase: Phase = Phase.CLEAR_MAT
    laid: LaidUnit | None = None
    sides: tuple[SideToTrim, ...] = ()
    line: TrimLine | None = None
    lying: tuple[Floats, ...] = ()  # outlines of all other cloth
    last: steps.Record | None = None  # the verdict in the light
    note: str = ""  # a sentence for the person
    stopped: bool = False
    sitting: Sitting = USUAL

    @property
    def unit(self) -> Unit:
        return self.plan.units[self.kind]

    @property
    def sewing(self) -> SewingStep | None:
        """The step of the plan that makes the unit; None where it has none."""
        return step_of(self.plan, self.unit)

    @property
    def wanted(self) -> int:
        return wanted_count(self.plan, self.unit)

    @property
    def number(self) -> int:
        """Which one of its kind is asked for."""
        return min(self.made[self.kind] + 1, self.wanted)

    def limit_mm(self, side: int) -> float:
        """How far a side may be off."""
        own = self.unit.side_tolerances_mm
        if own:
            return own[side]
        return self.plan.tolerance_mm if self.unit.tolerance_mm is None else self.unit.tolerance_mm

    @property
    def look(self) -> Look:
        """What must be measured next."""
        if self.phase is Phase.CLEAR_MAT:
            return Look("bare")
        return Look("units", (wanted_of(self.plan, self.unit),))

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase is Phase.LAY_SEWN


def sewn_kinds(plan: Plan) -> tuple[int, ...]:
    """Indices of the units that are sewn and trimmed, in the plan's order.

    The block itself is among them while the camera can find all of its seams.
    """
    block = plan.steps[-1].makes if plan.steps else None
    return tuple(
        kind
        for kind, unit in enumerate(plan.units)
        if unit.cut is None
        and unit.lay is None
        and unit.seams_mm
        and (unit.name != block or len(unit.seams_mm) <= MOST_SEAMS)
    )


def step_of(plan: Plan, unit: Unit) -> SewingStep | None:
    """The step that makes a unit."""
    return next((step for step in plan.steps if step.makes == unit.name), None)


def wanted_count(plan: Plan, unit: Unit) -> int:
    """How many of a sewn unit are made: one where no step says."""
    step = step_of(plan, unit)
    return step.count if step else 1
