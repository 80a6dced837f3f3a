"""What a pile's machine knows, and what one step of it gives: all frozen data."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import Enum

from projector.guide import steps
from projector.guide.looks import Look
from projector.guide.pile.charts import Chart
from projector.guide.pile.present import Lying
from projector.guide.pile.rounds import Rounds
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.piecing.plans import Hand
from vision.comparing.expected import ExpectedShape
from vision.polygons import signed_area
from vision.units import Judged, Verdict


class Phase(Enum):
    """What the pile is waiting for."""

    CLEAR_MAT = "clear_mat"
    LAY_UNITS = "lay_units"  # more units, or these lifted
    DONE = "done"


@dataclass(frozen=True, eq=False, slots=True)
class Counted:
    """A judged unit that counts, by its number from 1; an undone one keeps its number and counts no more."""

    number: int
    judged: Judged
    undone: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Pile:
    """The pile between two observations."""

    expected: ExpectedShape
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    wanted: int | None = None  # how many units there are, if that was said
    phase: Phase = Phase.CLEAR_MAT
    counted: tuple[Counted, ...] = ()
    before: tuple[Verdict, ...] = ()  # of what was counted in an earlier sitting that is gone on with
    lying: tuple[Lying, ...] = ()
    stopped: bool = False
    note: str = ""
    sitting: Sitting = USUAL
    hand: Hand = "right"  # the person's, for trimming
    cloth_mm: float = 0.0  # how high a trim line lies above the mat
    helps: bool = False  # the page of help is in the light
    charts: tuple[Chart, ...] = ()  # of what stands, the most important first
    rounds: Rounds | None = None  # of a gauge study: one unit at a time, in this order

    @property
    def look(self) -> Look:
        return Look("bare") if self.phase is Phase.CLEAR_MAT else Look("units", (self.expected,))

    @property
    def done(self) -> bool:
        return self.phase is Phase.DONE

    @property
    def waits_for_cloth(self) -> bool:
        return self.phase is Phase.LAY_UNITS and not self.lying

    @property
    def unit_mm2(self) -> float:
        return abs(float(signed_area(self.expected.corners_mm)))

    @property
    def standing(self) -> tuple[Counted, ...]:
        """What counts."""
        return tuple(one for one in self.counted if not one.undone)

    @property
    def away(self) -> tuple[Counted, ...]:
        """What is to be trimmed and lies there no more: trimmed, it may come back, and would count as another."""
        there = {unit.number for unit in self.lying}
        trims = (one for one in self.standing if one.judged.verdict is Verdict.TRIM and one.number not in there)
        return tuple(trims) if self.rounds is None else ()

    @property
    def number(self) -> int:
        """How many were judged, earlier sittings included."""
        return len(self.before) + len(self.standing)

    @property
    def verdicts(self) -> dict[Verdict, int]:
        """How many of each, earlier sittings included, and what is to be looked at again as it lies there now."""
        judged = (one.judged.verdict for one in self.standing if one.judged.verdict is not None)
        unclear = sum(unit.number is None for unit in self.lying)
        return dict(Counter([*self.before, *judged, *[Verdict.LOOK_AGAIN] * unclear]))


Turn = steps.Turn[Pile]
