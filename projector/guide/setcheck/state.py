"""What the seam check knows between two observations: frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

from projector.guide.looks import Look
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.seamtest import Length, SeamTest
from projector.piecing.plans import Plan, Strip
from vision.comparing.expected import ExpectedStrip, Tolerance
from vision.strips.measure import MeasuredStrip

StripsFrom = Literal["measured", "typed", "plan"]


class Phase(Enum):
    """What the chapter is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_SET = "lay_set"  # the strip set, sewn and pressed
    TOLD = "seam_check"  # that the person has read what was found
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class SetCheck:
    """The seam check between two observations."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    source: Strip
    strips: tuple[Length, ...]  # as wide as they were before they were sewn, from the lower edge up
    strips_from: StripsFrom
    phase: Phase = Phase.CLEAR_MAT
    strip: MeasuredStrip | None = None
    test: SeamTest | None = None
    sizes: tuple[Size, ...] = ()  # of the block's sides with such seams
    note: str = ""  # a sentence for the person
    stopped: bool = False
    sitting: Sitting = USUAL

    @property
    def expected(self) -> ExpectedStrip:
        tolerance = Tolerance(self.plan.tolerance_mm, self.plan.angle_tolerance_rad)
        return ExpectedStrip(self.source.name, self.source.width_mm, tolerance)

    @property
    def look(self) -> Look:
        """What must be measured next."""
        if self.phase is Phase.CLEAR_MAT:
            return Look("bare")
        return Look("strips", (self.expected,))

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase is Phase.LAY_SET


def first_set(plan: Plan) -> Strip | None:
    """The first strip set of a plan of which the strips' own widths are known."""
    return next((strip for strip in plan.strips if strip.seams_mm and strip.bands_mm), None)
