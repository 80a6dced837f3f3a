"""The guided cut at the table: a plan's chapters led through, with a glance at camera and projector in pauses."""

from __future__ import annotations

from dataclasses import dataclass

from projector.guide.chapters import SetCheckChapter
from projector.guide.leading import Carried, Leading, begin, step
from projector.guide.looks import Seen
from projector.guide.steps import Record, Records, StripRecord
from projector.guide.units.state import Cutting
from projector.guide.units.whichside import with_sides_told
from projector.light.lighting import Measured
from projector.light.showing import lit_mat
from projector.piecing.plans import Plan
from projector.setup.glancing import glanced, key_after_bump, tell_glance
from projector.table.bench import Bench
from projector.table.turns import Course, Turns
from vision.units import Judged


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


def guide(bench: Bench, plan: Plan, carried: Carried | None = None, layers: int = 0) -> Guided:
    """Lead through a plan; `carried` says what was made of it before. Yardage lies `layers` deep on the mat.

    Raises CameraError.
    """
    if bench.rig.projector is None:
        raise ValueError("a rig with a projector is needed")
    _tell_unguided(bench, plan)
    before = [one.entry for one in carried.kept] if carried else []
    turns = Turns(bench, begin(plan, lit_mat(bench.rig), carried, layers), step, _PlanCourse(bench), before)
    to_its_end = turns.lead()
    return Guided(turns.judged.records, turns.state.stopped or not to_its_end)


class _PlanCourse(Course[Leading]):
    """Sides of a unit told by its strip, and a glance before cloth is asked for."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._told = set[str]()

    def told(self, state: Leading, seen: Measured) -> Measured:
        """Pictures number a unit's sides as its record does."""
        if isinstance(seen, Seen) and isinstance(state.inner, Cutting):
            return with_sides_told(state.inner, seen)
        return seen

    def goes_on(self, before: Leading, after: Leading) -> bool:
        """False where something moved and the person ends it."""
        return not _is_pause(before, after) or self._still_true()

    def is_laid(self, before: Leading, after: Leading) -> bool:
        """A set that was checked may lie there already, to be cut."""
        return isinstance(before.chapter, SetCheckChapter) and after.index != before.index

    def _still_true(self) -> bool:
        table, rig = self._bench.table, self._bench.rig
        found, _ = glanced(table, rig)
        tell_glance(table.teller, found, self._told)
        return found.quiet or key_after_bump(table, rig, found, realign=False) is not None


def _is_pause(before: Leading, after: Leading) -> bool:
    """A good moment for a glance: cloth is waited for, and none lies there that hides most of the mat."""
    return after.waits_for_cloth and not before.waits_for_cloth and before.look.kind != "yardage"


def _tell_unguided(bench: Bench, plan: Plan) -> None:
    """Light leads through parallel cuts alone: say which units of a plan the person cuts by the plan's picture."""
    for unit in plan.units:
        if unit.lay:
            way = "every second one turned" if unit.lay.way == "turned" else "laid side by side"
            do = f'cut {unit.lay.make} "{unit.name}" by the plan\'s picture, {way}, and check them'
            bench.table.teller.tell("refused", what="unit", name=unit.name, why="not_guided", do=do)
