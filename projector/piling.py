"""The outer loop of a pile: devices on one side, the pure state machine on the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from projector.guide.looks import KeyPressed, MatCleared, Seen
from projector.guide.meanings import meaning_of
from projector.guide.pile import Step, begin, step
from projector.guide.sitting import Sitting
from projector.guided import Bench
from projector.opening import readable_cautions
from projector.piecing.plans import Hand
from projector.recordevents import record_event
from projector.seeing.looking import NotClear, Seeing
from projector.seeing.measuring import Gauge
from projector.seeing.taking import Taken
from projector.seeing.watching import LitMat, Watch
from projector.showing import lit_mat
from projector.table import Pressed, Still
from vision.cameras import NoMoreFramesError
from vision.expected import ExpectedShape
from vision.units import Judged

BARE_FRAMES = 8  # of the bare mat in the pile's own light


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
    before: int = 0,
    hand: Hand = "right",
) -> Piled:
    """Judge a pile; `before` of the `wanted` units were judged in earlier sittings. Raises CameraError.

    Without a projector nothing is shown, and the mat is seen in the room's light. A pile ends with its recording.
    """
    watches: list[Watch] = []  # of the scene that is in the light, once the mat was bare
    of_mat: list[Taken] = []  # the last that was taken of the bare mat

    def beheld(taken: Taken) -> None:
        if watches:
            watches[-1].beheld(taken)
        else:
            of_mat[:] = [taken]

    seeing = Seeing(bench.table, Gauge.of(bench.rig, bench.cloth), bench.worker, beheld)
    area = lit_mat(bench.rig)
    entries: list[int] = []
    now = begin(expected, area, sitting, wanted, before, hand, bench.cloth.height_mm)
    _carry_out(bench, now, entries)
    unlike: Still | None = None  # a mat that is bare already need not change; from then on a change is waited for
    bare: LitMat | None = None
    try:
        while not now.state.done:
            watch = None if bare is None else Watch(bench.rig, bare, now.state, now.scene)
            still = bench.table.until_still(unlike, after_motion=True, watch=watch.sees if watch else lambda _: None)
            watches[:] = [] if watch is None else [watch]
            seen = seeing.look(still, now.state.look) if isinstance(still, Still) else still
            if watch is not None:
                now = replace(now, state=watch.state)
            if isinstance(seen, Pressed):
                for key in seen.keys:
                    if now.state.look.kind == "bare" and meaning_of(key) == "on":
                        seeing.take_mat_as_it_is()
                    now = step(now.state, KeyPressed(key))
                    _carry_out(bench, now, entries)
            if isinstance(seen, NotClear):
                do = "take away what lies on the mat, or press space if nothing does"
                bench.table.teller.tell("refused", what="clear_mat", why="not_clear", do=do)
            if isinstance(seen, MatCleared):
                told = readable_cautions(bench.table, bench.rig, sitting, seeing.take_mat_as_it_is)
                now = step(now.state, KeyPressed("q") if told is None else MatCleared(told.light))
                unlike = _lit(bench, now, entries)
                # Before anybody is asked for units.
                bare = LitMat.of(bench.rig, bench.table.looks(BARE_FRAMES), now.scene, of_mat[-1])
                _told(bench, now)
            elif isinstance(seen, Seen):
                if bench.monitor is not None:
                    bench.monitor.found(seen)
                if bench.kept is not None:
                    bench.kept(seeing.latest, seen.cloths)
                if bench.pictures is not None:
                    bench.pictures.measured(seeing.latest)
                now = step(now.state, seen)
                unlike = _carry_out(bench, now, entries)
            else:
                unlike = bench.table.glance() if isinstance(seen, NotClear) else None
    except NoMoreFramesError:
        pass  # a recording has come to its end; what was judged stands
    return Piled(tuple(one.judged for one in now.state.standing), now.state.stopped)


def _carry_out(bench: Bench, turn: Step, entries: list[int]) -> Still:
    """Keep the records, then show and look, then ask: nothing is said of a unit before it is on the disk."""
    as_it_lies = _lit(bench, turn, entries)
    _told(bench, turn)
    return as_it_lies


def _lit(bench: Bench, turn: Step, entries: list[int]) -> Still:
    """Keep the records, tell them, and show the scene; the look that comes back is taken before anybody is asked.

    `entries` holds, for each number of this sitting, where the unit stands in the journal.
    """
    for number in turn.taken_back:
        bench.journal.undo(bench.session, entries[number - 1], datetime.now().astimezone())
    # What one look has seen is kept in one: part of a lot, kept before a power cut, would count again once laid again.
    events = [record_event(record) for record in turn.records]
    entries += bench.journal.keep_all(bench.session, events, datetime.now().astimezone())
    for event in events:
        bench.table.teller.pass_on(event)
    bench.lighting.show(turn.scene)
    return bench.table.glance()


def _told(bench: Bench, turn: Step) -> None:
    for one in turn.events:
        bench.table.teller.pass_on(one)
