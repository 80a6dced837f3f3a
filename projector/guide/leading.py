"""Through a plan, chapter by chapter: the machine above the chapters' own.

Every chapter begins by waiting for the bare mat. Once its picture is kept, later chapters are told so at once. What a
chapter has learned goes into `Carried`, and from there into those after it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from projector.guide import steps
from projector.guide.carried import Carried as Carried
from projector.guide.carried import width_of, widths_before
from projector.guide.chapters import (
    BlockChapter,
    Chapter,
    SetCheckChapter,
    SewnChapter,
    UnitsChapter,
    YardageChapter,
    chapters_of,
)
from projector.guide.looks import HandSeen, KeyPressed, Look, MatCleared, Observation
from projector.guide.meanings import meaning_of
from projector.guide.scene.helppage import help_scene
from projector.guide.scene.scenes import Point
from projector.guide.setcheck import machine as setcheck
from projector.guide.setcheck.state import SetCheck, first_set
from projector.guide.sewn import machine as sewn
from projector.guide.sewn.state import Sewn
from projector.guide.sitting import Sitting
from projector.guide.units import cutting
from projector.guide.units.state import Cutting
from projector.guide.whole import machine as whole
from projector.guide.yardage import striping
from projector.guide.yardage.state import Striping
from projector.piecing.plans import Plan

InnerStep = steps.Step[Any]


@dataclass(frozen=True, eq=False, slots=True)
class Leading:
    """The whole plan between two observations."""

    plan: Plan
    area_mat_mm: tuple[Point, ...]  # where light reaches the mat
    chapters: tuple[Chapter, ...]
    carried: Carried
    index: int
    inner: steps.Chapter
    is_bare_known: bool = False  # the bare mat's picture is kept
    helps: bool = False  # the page of help is in the light

    @property
    def chapter(self) -> Chapter:
        return self.chapters[self.index]

    @property
    def look(self) -> Look:
        """What must be measured next."""
        return self.inner.look

    @property
    def done(self) -> bool:
        return self.inner.stopped or (self.inner.done and self.index == len(self.chapters) - 1)

    @property
    def stopped(self) -> bool:
        return self.inner.stopped

    @property
    def waits_for_cloth(self) -> bool:
        return self.inner.waits_for_cloth

    @property
    def sitting(self) -> Sitting:
        return self.carried.sitting


Step = steps.Step[Leading]


@dataclass(frozen=True, slots=True)
class Machine:
    """How one kind of chapter is led through; `left` is what is carried on from its last state."""

    begin: Callable[[Any, Plan, tuple[Point, ...], Carried], InnerStep]
    step: Callable[[Any, Observation], InnerStep]
    left: Callable[[Any, Carried], Carried] = field(default=lambda _, carried: carried)


def begin(plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried | None = None, layers: int = 0) -> Step:
    """Start a plan, or go on with it where `carried` says what was made already.

    `area_mat_mm` is the polygon of the mat that light reaches; yardage lies `layers` deep on it. Raises ValueError if
    there is nothing to cut.
    """
    chapters = chapters_of(plan, layers)
    if not chapters:
        raise ValueError("the plan has no unit that is cut from a strip")
    known = carried or Carried()
    first = _begun(chapters[0], plan, area_mat_mm, known, is_bare_known=False)
    return _onward(Leading(plan, area_mat_mm, chapters, known, 0, first.state), first)


def step(state: Leading, seen: Observation) -> Step:
    """One turn of the chapter that is led through, and on to the next one where it is done."""
    meaning = meaning_of(seen.key) if isinstance(seen, KeyPressed) else ""
    if isinstance(seen, KeyPressed) and meaning != "end" and (state.helps or meaning == "help"):
        return _help(state, not state.helps)
    state = replace(state, helps=False)
    if isinstance(seen, MatCleared):
        state = replace(state, carried=replace(state.carried, sitting=state.carried.sitting.under(seen.light)))
    turn = MACHINES[type(state.chapter)].step(state.inner, seen)
    knows = state.is_bare_known or isinstance(seen, MatCleared) or turn.state.look.kind != "bare"
    return _onward(replace(state, inner=turn.state, is_bare_known=knows), turn)


def _help(state: Leading, wanted: bool) -> Step:
    """The page of help in the light, or again what was there before."""
    asked = replace(state, helps=wanted)
    if wanted:
        return Step(asked, help_scene(state.area_mat_mm, state.carried.sitting))
    return Step(asked, MACHINES[type(state.chapter)].step(state.inner, HandSeen()).scene)


def _onward(state: Leading, turn: InnerStep) -> Step:
    """Past every chapter that is done; what they had to tell and to keep comes first."""
    events, records, undone = turn.events, turn.records, turn.undone
    state = replace(state, carried=state.carried.with_records(records, undone))
    while state.inner.done and not state.done:
        carried = MACHINES[type(state.chapter)].left(state.inner, state.carried)
        following = state.chapters[state.index + 1]
        turn = _begun(following, state.plan, state.area_mat_mm, carried, state.is_bare_known)
        events, records = events + turn.events, records + turn.records
        state = replace(state, carried=carried, index=state.index + 1, inner=turn.state)
    return Step(state, turn.scene, events, records, undone)


def _begun(
    chapter: Chapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried, is_bare_known: bool
) -> InnerStep:
    machine = MACHINES[type(chapter)]
    turn = machine.begin(chapter, plan, area_mat_mm, carried)
    return machine.step(turn.state, MatCleared()) if is_bare_known else turn


def _begin_strips(chapter: YardageChapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried) -> InnerStep:
    made = tuple(
        min(due.count, sum(one.count for one in carried.strips if (one.strip, one.band) == (due.strip, due.band)))
        for due in chapter.due
    )
    return striping.begin(chapter, plan, area_mat_mm, made, carried.sitting)


def _left_by_strips(state: Striping, carried: Carried) -> Carried:
    return replace(carried, strips=carried.strips + tuple(width_of(record) for record in state.records))


def _begin_units(_: UnitsChapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried) -> InnerStep:
    kept = carried.kept or cutting.kept_of(carried.made)
    return cutting.begin(plan, area_mat_mm, kept, carried.sitting, carried.blade)


def _left_by_units(state: Cutting, carried: Carried) -> Carried:
    return replace(carried, made=state.made, kept=state.kept, blade=state.blade)


def _begin_set(_: SetCheckChapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried) -> InnerStep:
    source = first_set(plan)
    strips, known_from = widths_before(carried, source) if source else ((), "plan")
    is_over = carried.seam is not None or any(carried.made)  # the set was sewn, and cut, long ago
    return setcheck.begin(plan, area_mat_mm, strips, known_from, is_over, carried.sitting)


def _left_by_set(state: SetCheck, carried: Carried) -> Carried:
    return replace(carried, seam=state.test or carried.seam)


def _begin_sewn(_: SewnChapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried) -> InnerStep:
    return sewn.begin(plan, area_mat_mm, carried.made or None, carried.sitting)


def _left_by_sewn(state: Sewn, carried: Carried) -> Carried:
    return replace(carried, made=state.made)


def _begin_block(_: BlockChapter, plan: Plan, area_mat_mm: tuple[Point, ...], carried: Carried) -> InnerStep:
    seam = carried.seam.errors if carried.seam else None
    return whole.begin(plan, area_mat_mm, carried.blocks, carried.piles, seam, carried.sitting)


MACHINES: dict[type[Chapter], Machine] = {
    YardageChapter: Machine(_begin_strips, striping.step, _left_by_strips),
    SetCheckChapter: Machine(_begin_set, setcheck.step, _left_by_set),
    UnitsChapter: Machine(_begin_units, cutting.step, _left_by_units),
    SewnChapter: Machine(_begin_sewn, sewn.step, _left_by_sewn),
    BlockChapter: Machine(_begin_block, whole.step),
}
