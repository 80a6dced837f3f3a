"""What the guided cut knows, what it can be told, and what one step of it gives: all frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps
from projector.guide.looks import HandSeen as HandSeen
from projector.guide.looks import KeyPressed as KeyPressed
from projector.guide.looks import Look
from projector.guide.looks import MatCleared as MatCleared
from projector.guide.looks import Observation as Observation
from projector.guide.looks import Seen as Seen
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import Event as Event
from projector.guide.steps import Record as Record
from projector.guide.units.blade import NEW_HAND, Blade
from projector.guide.units.layout import CutLine, FoundStrip
from projector.piecing.plans import Cut, Plan, Strip, Unit, expected_shape
from vision.comparing.expected import ExpectedShape, LengthUnit, Tolerance

Floats = NDArray[np.float64]


class Phase(Enum):
    """What the guided cut is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_STRIP = "lay_strip"  # the strip that the next unit comes from
    TURN_CLOTH = "turn_cloth"  # the strip, or a unit to be trimmed, turned so that the cut runs away from the person
    TRUE_END = "true_end"  # a truing cut
    CUT_UNIT = "cut_unit"  # a unit cut off and slid aside
    TRIM_UNIT = "trim_unit"  # a unit that is too large trimmed where it lies
    LAY_UNIT = "lay_unit"  # a unit that was cut, laid where it can be measured
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class Lying:
    """A cloth on the mat that is not the strip, and its record if it is a unit that was judged."""

    outline_mat_mm: Floats  # (N, 2)
    record: Record | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Kept:
    """A judgement that stands: of which unit of the plan, and whether it counts.

    One of this sitting has its record, one of an earlier sitting its number among the session's records.
    """

    kind: int
    counts: bool = True
    record: Record | None = None
    entry: int | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Cutting:
    """The guided cut between two observations. Its defaults are those of the bare mat."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    kept: tuple[Kept, ...] = ()  # all judgements that were not taken back, the latest last
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
    blade: Blade = NEW_HAND
    watched: tuple[tuple[float | None, float], ...] = ()  # cuts since the ruler was set: beside the line mm, tilt rad
    true_for: str = ""  # why the end is to be trued though it is not off
    end_will_do: bool = False  # the person wants no truing of this end
    as_it_lies: bool = False  # the person wants it cut as it lies, and not turned
    offered: bool = False  # a shift of the line is offered

    @property
    def made(self) -> tuple[int, ...]:
        """How many units of each kind count."""
        return tuple(sum(one.counts and one.kind == kind for one in self.kept) for kind in range(len(self.plan.units)))

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
Turn = steps.Turn[Cutting]


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
    said_in: LengthUnit = "mm" if plan.metric else "in"
    return ExpectedShape(unit.name, shape.corners_mm, shape.seams_mm, shape.side_names, tolerance, own, said_in)
