"""The outer loop of the guided cut: devices on one side, the pure state machine on the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.guide.chapters import SetCheckChapter
from projector.guide.leading import Carried, Leading, Step, begin, step
from projector.guide.looks import KeyPressed, MatCleared, Seen
from projector.guide.meanings import meaning_of
from projector.guide.scenes import Scene
from projector.guide.state import Cutting
from projector.guide.steps import Kept as KeptRecord
from projector.guide.steps import Record, Records, StripRecord
from projector.guide.whichside import with_sides_told
from projector.lighting import Lighting, outlines_of
from projector.monitor import Monitor
from projector.opening import readable_cautions
from projector.piecing.plans import Plan
from projector.recordevents import record_event
from projector.records.journal import Journal
from projector.seeing.beside import AtOnce, Worker
from projector.seeing.looking import NotClear, Seeing
from projector.seeing.measuring import Gauge
from projector.setup.glancing import glanced, key_after_bump, tell_glance
from projector.showing import lit_mat
from projector.table import Disturbed, Pressed, Still, Table
from projector.unitpictures import UnitPictures
from vision.measure import PLAIN_CLOTH, Cloth
from vision.units import Judged

Picture = NDArray[np.uint8]
Kept = Callable[[Picture, tuple[Judged, ...]], None]


@dataclass(frozen=True, eq=False)
class Bench:
    """What stays the same while a plan is cut."""

    table: Table
    rig: Rig
    journal: Journal
    session: int
    cloth: Cloth = PLAIN_CLOTH
    kept: Kept | None = None  # is handed each picture that was measured, with what was found
    pictures: UnitPictures | None = None  # keeps a photograph of each unit
    worker: Worker = field(default_factory=AtOnce)  # measures while the light goes on
    monitor: Monitor | None = None  # shows what was found on the laptop's screen

    @cached_property
    def lighting(self) -> Lighting:
        return Lighting(self.table, self.rig, self.cloth.height_mm)


@dataclass(frozen=True, eq=False, slots=True)
class Guided:
    """What came of it: what was kept in this sitting, in order, and whether the plan was left before its end."""

    records: Records
    stopped: bool

    @property
    def units(self) -> tuple[Judged, ...]:
        """The units that were judged."""
        return tuple(record.judged for record in self.records if isinstance(record, Record))

    @property
    def strips(self) -> tuple[StripRecord, ...]:
        """The strips that were cut from yardage."""
        return tuple(record for record in self.records if isinstance(record, StripRecord))


@dataclass(eq=False, slots=True)
class Judgements:
    """What stands: what was kept in this sitting, and the number that each has among the session's records.

    Numbers of earlier sittings come first, the latest last; None where nobody knows it.
    """

    entries: list[int | None]
    records: list[KeptRecord] = field(default_factory=list)


def guide(bench: Bench, plan: Plan, carried: Carried | None = None, layers: int = 0) -> Guided:
    """Lead through a plan; `carried` says what was made of it before. Yardage lies `layers` deep on the mat.

    Raises CameraError.
    """
    if bench.rig.projector is None:
        raise ValueError("a rig with a projector is needed")
    _tell_unguided(bench, plan)
    area = lit_mat(bench.rig)
    seeing = Seeing(bench.table, Gauge.of(bench.rig, bench.cloth), bench.worker)
    judged = Judgements([one.entry for one in carried.kept] if carried else [])
    told = set[str]()
    now = begin(plan, area, carried, layers)
    _carry_out(bench, now, judged)
    unlike: Still | None = None  # the next measurement waits for a change from this
    while not now.state.done:
        still = bench.table.until_still(unlike, after_motion=True)
        seen = seeing.look(still, now.state.look) if isinstance(still, Still) else still
        if isinstance(seen, Pressed):
            for key in seen.keys:
                taken_as_bare = now.state.look.kind == "bare" and meaning_of(key) == "on"
                if taken_as_bare:
                    seeing.take_mat_as_it_is()
                pressed = _in_this_light(bench, seeing, now.state) if taken_as_bare else KeyPressed(key)
                now = step(now.state, pressed)
                _carry_out(bench, now, judged)
        if seen is None or isinstance(seen, Pressed | Disturbed | NotClear):
            unlike = _not_clear(bench, now.scene) if isinstance(seen, NotClear) else None
            continue
        if isinstance(seen, Seen) and isinstance(now.state.inner, Cutting):
            seen = with_sides_told(now.state.inner, seen)  # pictures number a unit's sides as its record does
        if isinstance(seen, Seen) and bench.kept is not None:
            bench.kept(seeing.latest, seen.cloths)
        if isinstance(seen, Seen) and bench.pictures is not None:
            bench.pictures.measured(seeing.latest)
        if bench.monitor is not None:
            bench.monitor.found(seen)
        bench.lighting.suit(seeing.surfaces(outlines_of(seen)), now.state.carried.sitting.light)
        turn = step(now.state, _in_this_light(bench, seeing, now.state) if isinstance(seen, MatCleared) else seen)
        if _is_pause(now.state, turn.state) and not _still_true(bench, told):
            _keep_records(bench, turn, judged)
            return Guided(tuple(judged.records), stopped=True)
        left_set = isinstance(now.state.chapter, SetCheckChapter) and turn.state.index != now.state.index
        now, unlike = turn, _carry_out(bench, turn, judged)
        unlike = None if left_set else unlike  # the set may lie there already, to be cut
    return Guided(tuple(judged.records), now.state.stopped)


def _is_pause(before: Leading, after: Leading) -> bool:
    """A good moment for a glance: cloth is waited for, and none lies there that hides most of the mat."""
    return after.waits_for_cloth and not before.waits_for_cloth and before.look.kind != "yardage"


def _in_this_light(bench: Bench, seeing: Seeing, state: Leading) -> MatCleared | KeyPressed:
    """The mat is bare: whether cautions can be read on it comes first. A key that ends all where the person says so."""
    again = seeing.take_mat_as_it_is
    sitting = readable_cautions(bench.table, bench.rig, state.carried.sitting, again)
    return KeyPressed("q") if sitting is None else MatCleared(sitting.light)


def _tell_unguided(bench: Bench, plan: Plan) -> None:
    """Light leads through parallel cuts alone: say which units of a plan the person cuts by the plan's picture."""
    for unit in plan.units:
        if unit.lay:
            way = "every second one turned" if unit.lay.way == "turned" else "laid side by side"
            do = f'cut {unit.lay.make} "{unit.name}" by the plan\'s picture, {way}, and check them'
            bench.table.teller.tell("refused", what="unit", name=unit.name, why="not_guided", do=do)


def _not_clear(bench: Bench, scene: Scene) -> Still:
    """Ask again for the bare mat, in words and in light."""
    bench.lighting.show(scene)
    do = "take away what lies on the mat, or press space if nothing does"
    bench.table.teller.tell("refused", what="clear_mat", why="not_clear", do=do)
    return bench.table.glance()


def _carry_out(bench: Bench, turn: Step, judged: Judgements) -> Still:
    """Keep the records, then show and look, then ask: nothing is said of a unit before it is on the disk.

    The look that comes back is taken before anybody is asked, so that whatever the person does is a change from it.
    """
    _keep_records(bench, turn, judged)
    bench.lighting.show(turn.scene)
    as_it_lies = bench.table.glance()
    for event in turn.events:
        bench.table.teller.pass_on(event)
    return as_it_lies


def _still_true(bench: Bench, told: set[str]) -> bool:
    """A glance before a strip is asked for. False where something moved and the person ends it."""
    found, _ = glanced(bench.table, bench.rig)
    tell_glance(bench.table.teller, found, told)
    return found.quiet or key_after_bump(bench.table, bench.rig, found, realign=False) is not None


def _keep_records(bench: Bench, turn: Step, judged: Judgements) -> None:
    """Take back what was undone, then keep what is new."""
    for _ in range(turn.undone):
        entry = judged.entries.pop() if judged.entries else None
        if entry is not None:
            bench.journal.undo(bench.session, entry, datetime.now().astimezone())
        judged.records[-1:] = []
    for record in turn.records:
        event = record_event(record)
        entry = bench.journal.keep(bench.session, event, datetime.now().astimezone())
        bench.table.teller.pass_on(event)
        judged.records.append(record)
        judged.entries.append(entry)
        if isinstance(record, Record) and bench.pictures is not None and entry is not None:
            bench.pictures.keep(bench.session, entry, record.judged.unit.corners_mat_mm)
