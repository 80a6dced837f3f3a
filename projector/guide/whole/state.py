"""What the chapter of the finished block knows between two observations: frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from projector.guide.looks import Look
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import BlockRecord
from projector.guide.units.state import wanted_of
from projector.piecing.foresight.foretelling import Prediction
from projector.piecing.plans import Plan, Unit
from vision.comparing.expected import ExpectedShape, ExpectedStar

PRESSED_LAYERS = 2  # a pressed block's top: seam allowances lie under all of it


class Phase(Enum):
    """What the chapter is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_BLOCK = "lay_block"  # a block, sewn and pressed
    TOLD = "block"  # that the block is taken away
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class Whole:
    """The finished blocks between two observations."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    unit: Unit  # the whole block, as the plan has it
    done_before: int  # blocks measured so far
    prediction: Prediction | None
    phase: Phase = Phase.CLEAR_MAT
    record: BlockRecord | None = None  # what is told in the light
    note: str = ""  # a sentence for the person
    stopped: bool = False
    sitting: Sitting = USUAL

    @property
    def expected(self) -> ExpectedShape:
        """The raw block."""
        return wanted_of(self.plan, self.unit)

    @property
    def wanted(self) -> int:
        return self.plan.making.make if self.plan.making else self.plan.steps[-1].count

    @property
    def number(self) -> int:
        return min(self.done_before + 1, self.wanted)

    @property
    def is_made(self) -> bool:
        return self.done_before >= self.wanted

    @property
    def look(self) -> Look:
        """What must be measured next."""
        if self.phase is Phase.CLEAR_MAT:
            return Look("bare")
        points, side_mm = len(star_tips(self.plan)), float(np.ptp(self.expected.corners_mm[:, 0]))
        star = (ExpectedStar(points, side_mm, self.unit.name),) if points else ()
        return Look("block", star, PRESSED_LAYERS)

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase is Phase.LAY_BLOCK


def block_unit(plan: Plan) -> Unit | None:
    """The unit that the last step of sewing makes: the whole block."""
    if not plan.steps:
        return None
    return next((unit for unit in plan.units if unit.name == plan.steps[-1].makes and unit.written), None)


def star_tips(plan: Plan) -> tuple[Point, ...]:
    """The tips of the block's star, in its own finished frame, counter-clockwise; none where it is no such star."""
    from projector.piecing.blocks.catalogue import tips_of  # here, because it loads all recipes

    making = plan.making
    if making is None or making.patches:
        return ()
    return tips_of(making.block, making.finish_mm, dict(making.settings))
