"""What is known while strips are cut from yardage: frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps
from projector.guide.chapters import DueStrip, YardageChapter
from projector.guide.looks import Look
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import StripRecord
from projector.guide.units.layout import CutLine, FoundStrip
from projector.guide.yardage.layout import Angle
from projector.piecing.plans import Plan
from vision.comparing.expected import ExpectedStrip, Tolerance

Floats = NDArray[np.float64]


class Phase(Enum):
    """What the cutting of strips is waiting for."""

    CLEAR_MAT = "clear_mat"  # an empty mat
    LAY_CLOTH = "lay_cloth"  # the fabric, folded
    PULL_CLOTH = "pull_cloth"  # more of the cloth, which hangs over the mat's end
    SQUARE_END = "square_end"  # a truing cut, square to the fold
    CUT_STRIP = "cut_strip"  # a strip cut off and slid aside
    LAY_STRIP = "lay_cut_strip"  # a strip that was cut, laid where it can be measured
    DONE = "strips_cut"


@dataclass(frozen=True, eq=False, slots=True)
class Striping:
    """Strips from one fabric, between two observations. `made` counts the strips of each kind that is due."""

    plan: Plan
    chapter: YardageChapter
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    made: tuple[int, ...]
    phase: Phase = Phase.CLEAR_MAT
    cloth: FoundStrip | None = None  # its lower edge is the fold
    raw_end: bool = True
    line: CutLine | None = None
    lying: tuple[Floats, ...] = ()  # outlines (N, 2) of the other cloth on the mat
    end_will_do: bool = False  # the person said so of the end as it is
    outer: Angle | None = None  # off square to the fold: of the end that the strip to be cut keeps
    inner: Angle | None = None  # and of the cut that freed it, once it is made
    last_sides: tuple[Angle | None, Angle | None] = (None, None)  # both, of the last strip that was judged
    at_once: int = 1  # strips of the plan that one cut gives
    last: StripRecord | None = None  # the verdict in the light
    last_mat_mm: Floats | None = None  # (4, 2) where that strip lies
    note: str = ""  # a sentence for the person
    takes_any: bool = False  # the person cuts cloth that is less deep than the plan counts on
    records: tuple[StripRecord, ...] = ()  # of this sitting
    counted: tuple[int, ...] = ()  # how many strips of the plan each of them is
    stopped: bool = False
    sitting: Sitting = USUAL

    @property
    def kind(self) -> int:
        """Index of what is due next; the last one where all is made."""
        left = [k for k, due in enumerate(self.chapter.due) if self.made[k] < due.count]
        return left[0] if left else len(self.chapter.due) - 1

    @property
    def due(self) -> DueStrip:
        return self.chapter.due[self.kind]

    @property
    def wanted(self) -> int:
        """Number of strips of this fabric."""
        return sum(due.count for due in self.chapter.due)

    @property
    def n(self) -> int:
        """Which of them is next."""
        return min(sum(self.made) + 1, self.wanted)

    @property
    def is_made(self) -> bool:
        return all(made >= due.count for made, due in zip(self.made, self.chapter.due, strict=True))

    @property
    def expected(self) -> ExpectedStrip:
        """The strip that is due next, as measuring compares with it."""
        tolerance = Tolerance(self.plan.tolerance_mm, self.plan.angle_tolerance_rad)
        return ExpectedStrip(self.due.strip, self.due.width_mm, tolerance)

    @property
    def look(self) -> Look:
        """What must be measured next."""
        if self.phase is Phase.CLEAR_MAT:
            return Look("bare")
        cutting = self.phase in (Phase.CUT_STRIP, Phase.LAY_STRIP)
        return Look("yardage", (self.expected,) if cutting else (), self.chapter.layers)

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase in (Phase.LAY_CLOTH, Phase.PULL_CLOTH)


Step = steps.Step[Striping]
Turn = steps.Turn[Striping]
