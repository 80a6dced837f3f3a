"""The outer loop of all that is led at the table: devices on one side, a pure state machine on the other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Generic, Protocol, TypeVar

from projector.guide.looks import KeyPressed, Look, MatCleared, Observation, Seen
from projector.guide.meanings import meaning_of
from projector.guide.sitting import Sitting
from projector.guide.steps import Event, Step
from projector.light.lighting import Measured, outlines_of
from projector.seeing.looking import NotClear, Seeing
from projector.seeing.measuring import Gauge
from projector.seeing.taking import Taken
from projector.table.bench import Bench, Judgements, Picture, says_undone
from projector.table.devices import Disturbed, Pressed, Still
from projector.table.opening import readable_cautions
from vision.warming import warm_up


class State(Protocol):
    """What the loop asks of a machine's state."""

    @property
    def look(self) -> Look:
        """What must be measured next."""

    @property
    def done(self) -> bool:
        """Nothing is left to do."""

    @property
    def sitting(self) -> Sitting:
        """Where the person stands, and the light on this mat."""


S = TypeVar("S", bound=State)


class Course(Generic[S]):
    """What one kind of work does of its own beside the turns. Here: nothing."""

    def waits(self, now: Step[S]) -> None:
        """A scene is in the light, and a change is waited for."""

    def sees(self, pixels: Picture) -> None:
        """One more frame of the scene, while a change is waited for."""

    def takes(self, taken: Taken) -> None:
        """Pictures were taken for measuring, whether they are measured or dropped."""

    def known(self, state: S) -> S:
        """The state with what was seen since the last turn."""
        return state

    def told(self, state: S, seen: Measured) -> Measured:
        """What was measured, as this work tells it."""
        return seen

    def goes_on(self, before: S, after: S) -> bool:
        """Whether the work goes on after this turn."""
        return True

    def drawn(self, turn: Step[S], kept: Sequence[Event]) -> Step[S]:
        """The turn as it is to be shown, once its records are kept and before they are told."""
        return turn

    def shown(self, now: Step[S], seen: Observation | None) -> None:
        """The scene is in the light after what was `seen`, and nobody was asked for anything yet."""

    def is_laid(self, before: S, after: S) -> bool:
        """Whether what is wanted now may lie there already: nothing need change before it is looked at."""
        return False


class Turns(Generic[S]):
    """A machine led at the table: look at the bare mat, then wait, measure, step, keep, show, ask, until it is done."""

    def __init__(
        self,
        bench: Bench,
        first: Step[S],
        step: Callable[[S, Observation], Step[S]],
        course: Course[S],
        before: Iterable[int | None] = (),
    ) -> None:
        """`before` are the numbers in the records of what stands from earlier sittings, the latest last."""
        self.now, self.judged = first, Judgements(before)
        self._bench, self._step, self._course = bench, step, course
        self._seeing = Seeing(bench.table, Gauge.of(bench.rig, bench.cloth), bench.worker, course.takes)
        self._ended = False

    @property
    def state(self) -> S:
        return self.now.state

    def lead(self) -> bool:
        """Lead to the end; whether it was not broken off by the course. Raises CameraError."""
        table = self._bench.table
        self._bench.worker.begin(warm_up)  # while the bare mat is looked at, not when a unit lies there
        self._carry_out(self.now, None)
        unlike: Still | None = None  # the next look waits for a change from this; a mat that is bare need not change
        while not (self.state.done or self._ended):
            self._course.waits(self.now)
            still = table.until_still(unlike, after_motion=True, watch=self._course.sees)
            seen = self._seeing.look(still, self.state.look) if isinstance(still, Still) else still
            self.now = replace(self.now, state=self._course.known(self.state))
            unlike = None
            if isinstance(seen, Pressed):
                for key in seen.keys:
                    self._pressed(key)
            elif isinstance(seen, NotClear):
                unlike = self._not_clear()
            elif seen is not None and not isinstance(seen, Disturbed):
                unlike = self._measured(seen)
        return not self._ended

    def _pressed(self, key: str) -> None:
        seen: Observation = KeyPressed(key)
        if self.state.look.kind == "bare" and meaning_of(key) == "on":  # the person says that the mat is bare
            self._seeing.take_mat_as_it_is()
            seen = self._in_this_light()
        self._carry_out(self._step(self.state, seen), seen)

    def _not_clear(self) -> Still:
        """Ask again for the bare mat, in words and in light."""
        self._bench.lighting.show(self.now.scene)
        do = "take away what lies on the mat, or press space if nothing does"
        self._bench.table.teller.tell("refused", what="clear_mat", why="not_clear", do=do)
        return self._bench.table.glance()

    def _measured(self, seen: Measured) -> Still | None:
        """One turn; what the next look is to differ from, if from anything."""
        bench, before = self._bench, self.state
        seen = self._course.told(before, seen)
        if isinstance(seen, Seen) and bench.kept is not None:
            bench.kept(self._seeing.latest, seen.cloths)
        if isinstance(seen, Seen) and bench.pictures is not None:
            bench.pictures.measured(self._seeing.latest)
        if bench.monitor is not None:
            bench.monitor.found(seen)
        bench.lighting.suit(self._seeing.surfaces(outlines_of(seen)), before.sitting.light)
        heard = self._in_this_light() if isinstance(seen, MatCleared) else seen
        turn = self._step(before, heard)
        if not self._course.goes_on(before, turn.state):
            self._ended = True
            for event in self.judged.keep(bench, turn):
                bench.table.teller.pass_on(event)
            return None
        as_it_lies = self._carry_out(turn, heard)
        return None if self._course.is_laid(before, turn.state) else as_it_lies

    def _in_this_light(self) -> MatCleared | KeyPressed:
        """The mat is bare: whether cautions can be read on it comes first. A key that ends all if they say so."""
        again = self._seeing.take_mat_as_it_is
        sitting = readable_cautions(self._bench.table, self._bench.rig, self.state.sitting, again)
        return KeyPressed("q") if sitting is None else MatCleared(sitting.light)

    def _carry_out(self, turn: Step[S], seen: Observation | None) -> Still:
        """Keep the records, then show and look, then tell and ask: nothing is said of a unit before it is on the disk.

        The look that comes back is taken before anything is said, a tone sounded or anybody asked, so that whatever the
        person does upon it is a change from it.
        """
        kept = self.judged.keep(self._bench, turn)
        self.now = turn = self._course.drawn(turn, kept)
        self._bench.lighting.show(turn.scene)
        as_it_lies = self._bench.table.glance()
        self._course.shown(turn, seen)
        for event in (*kept, *(event for event in turn.events if not says_undone(event))):
            self._bench.table.teller.pass_on(event)
        return as_it_lies
