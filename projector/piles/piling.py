"""A pile at the table, or in a video of one: what lies there is followed from frame to frame between two looks."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Protocol

from projector.guide.looks import MatCleared, Observation
from projector.guide.pile.charts import Chart
from projector.guide.pile.machine import begin, charted, step
from projector.guide.pile.rounds import Rounds
from projector.guide.pile.state import Pile
from projector.guide.sitting import Sitting
from projector.guide.steps import Event, Step
from projector.light.showing import lit_mat
from projector.piecing.plans import Hand
from projector.seeing.taking import Taken
from projector.seeing.watching import LitMat, Watch
from projector.table.bench import Bench, Picture
from projector.table.turns import Course, Turns
from vision.comparing.expected import ExpectedShape
from vision.frames.cameras import NoMoreFramesError
from vision.units import Judged, Verdict

BARE_FRAMES = 8  # of the bare mat in the pile's own light


class Runs(Protocol):
    """The run charts of a pile."""

    def hears(self, event: Event) -> list[Event]:
        """One event that is kept; what is to be told after it."""

    def charts(self) -> tuple[Chart, ...]:
        """Those that are to stand in the light."""


@dataclass(frozen=True, eq=False, slots=True)
class Piled:
    """What came of it: what stands, in order, and whether the pile was left before its end."""

    units: tuple[Judged, ...]
    stopped: bool


def pile(
    bench: Bench,
    expected: ExpectedShape,
    sitting: Sitting,
    wanted: int | None = None,
    before: tuple[Verdict, ...] = (),
    hand: Hand = "right",
    runs: Runs | None = None,
    rounds: Rounds | None = None,
) -> Piled:
    """Judge a pile; of the `wanted` units some were judged so `before`, in earlier sittings. Raises CameraError.

    With `rounds` its units are fed in that order, for a gauge study.

    The charts of `runs` go on with its units and stand in the light.
    Without a projector nothing is shown, and the mat is seen in the room's light. A pile ends with its recording.
    """
    first = begin(expected, lit_mat(bench.rig), sitting, wanted, before, hand, bench.cloth.height_mm, rounds)
    turns = Turns(bench, first, step, _PileCourse(bench, runs))
    with suppress(NoMoreFramesError):  # a recording has come to its end; what was judged stands
        turns.lead()
    return Piled(tuple(one.judged for one in turns.state.standing), turns.state.stopped)


class _PileCourse(Course[Pile]):
    """Watches what is laid down and taken away, once it is known how the bare mat looks in the pile's light."""

    def __init__(self, bench: Bench, runs: Runs | None) -> None:
        self._bench, self._runs = bench, runs
        self._mat: LitMat | None = None
        self._taken: Taken | None = None  # the last that was taken of the bare mat
        self._watch: Watch | None = None  # of the scene that is in the light

    def waits(self, now: Step[Pile]) -> None:
        self._watch = None if self._mat is None else Watch(self._bench.rig, self._mat, now.state, now.scene)

    def sees(self, pixels: Picture) -> None:
        if self._watch is not None:
            self._watch.sees(pixels)

    def takes(self, taken: Taken) -> None:
        if self._watch is not None:
            self._watch.beheld(taken)
        else:
            self._taken = taken

    def known(self, state: Pile) -> Pile:
        return state if self._watch is None else self._watch.state

    def drawn(self, turn: Step[Pile], kept: Sequence[Event]) -> Step[Pile]:
        """With the run charts as they go on, and what they call."""
        if self._runs is None:
            return turn
        called = tuple(call for event in kept for call in self._runs.hears(event))
        return replace(charted(turn, self._runs.charts()), events=(*turn.events, *called))

    def shown(self, now: Step[Pile], seen: Observation | None) -> None:
        """The bare mat lies in the pile's light: it is looked at before anybody is asked for units."""
        if isinstance(seen, MatCleared) and self._taken is not None:
            pictures = self._bench.table.looks(BARE_FRAMES)
            self._mat = LitMat.of(self._bench.rig, pictures, now.scene, self._taken)
