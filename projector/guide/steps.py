"""What one step of any chapter gives: its next state, a scene, what to tell, and what to keep before it is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Generic, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from projector.guide.looks import Look
from projector.guide.scene.scenes import Scene
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.seamtest import SeamTest
from vision.blocks.measure import MeasuredBlock
from vision.strips.verdict import JudgedStrip
from vision.units import Judged

Event = dict[str, Any]
Floats = NDArray[np.float64]


class Chapter(Protocol):
    """What every chapter's state answers, so that the loop need not know which chapter it leads through."""

    @property
    def look(self) -> Look:
        """What must be measured next."""

    @property
    def done(self) -> bool:
        """Nothing is left to do in this chapter."""

    @property
    def stopped(self) -> bool:
        """The person ended it all before its end."""

    @property
    def waits_for_cloth(self) -> bool:
        """Nothing is being cut: a good moment for a glance at camera and projector."""


S = TypeVar("S", covariant=True)


@dataclass(frozen=True, eq=False, slots=True)
class Record:
    """A judgement of a unit to be kept, before the light says anything of it. `n` of `of` counts its own kind.

    What does not count (to be trimmed, too small, turned over) has the number that is still to be made. `beside_mm` is
    how far its cut ran from the line as it was shown, positive away from the ruler, and `shift_mm` by how much that
    line was shifted for the blade.
    """

    judged: Judged
    unit_name: str
    n: int
    of: int
    counts: bool = True
    beside_mm: float | None = None
    shift_mm: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class StripRecord:
    """A strip as it was measured before sewing. `n` of `of` counts its own kind, layers and all.

    `strip_name` and `band` (from the lower edge up) say where in the plan it belongs; `bend_rad` is how far it bends at
    the fold once it is opened, None where it was not folded.
    """

    judged: JudgedStrip
    name: str  # of its kind, for the person
    fabric: str
    strip_name: str
    band: int
    band_mm: float  # as planned
    n: int
    of: int
    layers: int = 1
    at_once: int = 1  # strips of the plan that it gives, opened
    bend_rad: float | None = None
    bend_u_rad: float | None = None


@dataclass(frozen=True, eq=False, slots=True)
class SetRecord:
    """The first strip set as it was measured after sewing, and what its seams take.

    `strips_from` says where the strips' widths before sewing are known from; `sizes` are the block's sides with seams
    like these, none where the plan makes no block.
    """

    judged: JudgedStrip
    strip_name: str
    test: SeamTest
    strips_from: str
    sizes: tuple[Size, ...] = ()


@dataclass(frozen=True, slots=True)
class Distance:
    """From one point of a finished block to another: as measured, as planned, and as foretold if it was."""

    kind: Literal["side", "across", "tips"]
    points: tuple[int, int]  # corners of the outline, or points of the star, counter-clockwise
    measured_mm: float
    u_mm: float
    planned_mm: float
    foretold_mm: float | None = None
    foretold_u_mm: float | None = None  # how far a block may well be from it: its spread, and what is not known

    @property
    def off_mm(self) -> float:
        """From the plan; positive: too large."""
        return self.measured_mm - self.planned_mm


@dataclass(frozen=True, eq=False, slots=True)
class BlockRecord:
    """A finished block: its outline, the points of its star if it has one, and its distances. `n` of `of` blocks."""

    name: str
    outline_mat_mm: Floats  # (N, 2)
    outline_u_mm: Floats  # (N,)
    star: MeasuredBlock | None
    distances: tuple[Distance, ...]
    n: int
    of: int


Kept = Record | StripRecord | SetRecord | BlockRecord
Records = tuple[Kept, ...]


@dataclass(frozen=True, eq=False)  # without slots: in Python 3.11 `Step[Cutting](...)` cannot be made with them
class Step(Generic[S]):
    """One turn of a chapter. Records are to be kept before the scene is shown.

    Before that what is `undone` is taken back: marked, never deleted. It is told by its places in what stands, counted
    back from the latest, which is 1.
    """

    state: S
    scene: Scene
    events: tuple[Event, ...] = ()
    records: Records = ()
    undone: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Turn(Generic[S]):
    """What a rule gives: a step whose scene is not drawn yet."""

    state: S
    events: tuple[Event, ...] = ()
    records: Records = ()
    undone: tuple[int, ...] = ()

    def after(self, *events: Event) -> Turn[S]:
        """The same, with something told before it."""
        return replace(self, events=events + self.events)

    def drawn(self, scene_of: Callable[[S], Scene]) -> Step[S]:
        """The step, with its scene."""
        return Step(self.state, scene_of(self.state), self.events, self.records, self.undone)
