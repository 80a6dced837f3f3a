"""What the guided cut knows, what it can be told, and what one step of it gives: all frozen data."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps
from projector.guide.layout import CutLine, FoundStrip
from projector.guide.looks import HandSeen as HandSeen
from projector.guide.looks import KeyPressed as KeyPressed
from projector.guide.looks import Look
from projector.guide.looks import MatCleared as MatCleared
from projector.guide.looks import Observation as Observation
from projector.guide.looks import Seen as Seen
from projector.guide.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import Event as Event
from projector.guide.steps import Record as Record
from projector.piecing.plans import Cut, Plan, Strip, Unit, expected_shape
from vision.expected import ExpectedShape, Tolerance

Floats = NDArray[np.float64]


class Phase(Enum):
    """What the guided cut is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_STRIP = "lay_strip"  # the strip that the next unit comes from
    TRUE_END = "true_end"  # a truing cut
    CUT_UNIT = "cut_unit"  # a unit cut off and slid aside
    LAY_UNIT = "lay_unit"  # a unit that was cut, laid where it can be measured
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class Lying:
    """A cloth on the mat that is not the strip, and its record if it is a unit that was judged."""

    outline_mat_mm: Floats  # (N, 2)
    record: Record | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Cutting:
    """The guided cut between two observations. `made` counts the judged units of each kind of the plan."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    made: tuple[int, ...]
    phase: Phase = Phase.CLEAR_MAT
    kind: int = 0  # index of the unit of the plan that is being cut
    strip: FoundStrip | None = None
    raw_end: bool = True
    line: CutLine | None = None
    lying: tuple[Lying, ...] = ()
    last: Record | None = None  # the verdict in the light
    note: str = ""  # a sentence for the person
    stopped: bool = False
    sitting: Sitting = USUAL

    @property
    def unit(self) -> Unit:
        return self.plan.units[self.kind]

    @property
    def cut(self) -> Cut:
        cut = self.unit.cut
        if cut is None:
            raise ValueError(f"{self.unit.name} is not cut from a strip")
        return cut

    @property
    def source(self) -> Strip:
        """The strip of the plan that the unit comes from."""
        return self.plan.strip(self.cut.strip)

    @property
    def tolerance_mm(self) -> float:
        own = self.unit.tolerance_mm
        return self.plan.tolerance_mm if own is None else own

    @property
    def look(self) -> Look:
        """What must be measured next."""
        if self.phase is Phase.CLEAR_MAT:
            return Look("bare")
        expected = wanted(self)
        return Look("units", () if expected is None else (expected,))

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase is Phase.LAY_STRIP


Step = steps.Step[Cutting]


@dataclass(frozen=True, eq=False, slots=True)
class Turn:
    """What a rule gives: a step whose scene is not drawn yet."""

    state: Cutting
    events: tuple[Event, ...] = field(default=())
    records: tuple[Record, ...] = field(default=())


def wanted(state: Cutting) -> ExpectedShape | None:
    """What the next measurement is to be judged against; None where no unit is being cut."""
    if state.phase is Phase.DONE or state.unit.cut is None:
        return None
    return wanted_of(state.plan, state.unit)


def wanted_of(plan: Plan, unit: Unit) -> ExpectedShape:
    """A unit of a plan as the expected shape that measuring compares with."""
    shape = expected_shape(plan, unit)
    angle_rad = plan.angle_tolerance_rad if unit.angle_tolerance_rad is None else unit.angle_tolerance_rad
    width_mm = plan.tolerance_mm if unit.tolerance_mm is None else unit.tolerance_mm
    tolerance = Tolerance(width_mm, angle_rad)
    own = unit.side_tolerances_mm
    return ExpectedShape(unit.name, shape.corners_mm, shape.seams_mm, shape.side_names, tolerance, own)
