"""Strips from yardage as a table: what each observation means in each phase.

As in `cutting.py`: `step` never waits, draws, measures or reads a clock; every pair of a phase and an observation is in
`RULES` or in `IGNORED`, and keys have a table of their own, `KEYS` of
`keys.py`.
"""

from __future__ import annotations

import math
from dataclasses import replace

from projector.guide.chapters import YardageChapter
from projector.guide.looks import KeyPressed, MatCleared, Observation, YardageSeen
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.tables import by_key, ignored, turn_by
from projector.guide.units.cutting import CUT_SHARE, LONGER_MM
from projector.guide.units.layout import CutLine, FoundStrip, shrinks_by_mm
from projector.guide.untouched import is_untouched
from projector.guide.yardage.keys import KEYS, Rule
from projector.guide.yardage.layout import NoYardage, depth_words, off_square
from projector.guide.yardage.onward import aimed, cloth_wanted, finished, gives, known, onward, strip_aimed
from projector.guide.yardage.scenes import scene_of
from projector.guide.yardage.sorting import Sorted, sort_yardage
from projector.guide.yardage.state import Phase, Step, Striping, Turn
from projector.guide.yardage.telling import ask, refused, seen_cloth
from projector.guide.yardage.verdict import judged_strip
from projector.piecing.plans import Plan
from vision.units import Verdict

LENGTH_SHARE = 0.95  # of a strip's length: with so much of it the plan's count still comes out


def begin(
    chapter: YardageChapter,
    plan: Plan,
    area_mat_mm: tuple[Point, ...],
    made: tuple[int, ...] | None = None,
    sitting: Sitting = USUAL,
) -> Step:
    """Start a fabric, or go on with it where `made` counts the strips of each kind that is due."""
    first = Striping(plan, chapter, area_mat_mm, made or (0,) * len(chapter.due), sitting=sitting)
    if first.is_made:
        return finished(first).drawn(scene_of)
    return Turn(first, (ask(first, "clear_mat"),)).drawn(scene_of)


def step(state: Striping, seen: Observation) -> Step:
    """One turn: the next state, what to show, what to tell, what to keep."""
    return turn_by(RULES, state, seen).drawn(scene_of)


# From one phase to the next.


def _mat_cleared(state: Striping, seen: Observation) -> Turn:
    light = seen.light if isinstance(seen, MatCleared) else None
    return cloth_wanted(replace(state, sitting=state.sitting.under(light)))


def _cloth_looked_for(state: Striping, seen: Observation) -> Turn:
    cloths = _sorted(state, seen)
    found = cloths.cloth
    if isinstance(found, NoYardage):
        return _no_cloth(state, cloths, found.why)
    at_once = _strips_at_once(state, found)
    if at_once == 0 and not state.takes_any:
        why = depth_words(found.width_mm, state.chapter.layers, state.due.length_mm, state.plan.metric)
        return _no_cloth(replace(state, cloth=found), cloths, why)
    ready = replace(state, cloth=found, raw_end=True, lying=cloths.lying, at_once=max(1, at_once))
    if gives(ready, found, state.due.margin_mm) < 1 and not found.cut_off:
        return _no_cloth(state, cloths, "this cloth gives no strip of that width")
    return aimed(ready).after(seen_cloth(ready, found))


def _more_looked_for(state: Striping, seen: Observation) -> Turn:
    """Cloth that hung over the mat's end has been pulled along; its end is the one of before."""
    cloths = _sorted(state, seen)
    if isinstance(cloths.cloth, NoYardage):
        return _no_cloth(state, cloths, cloths.cloth.why)
    return aimed(replace(state, cloth=cloths.cloth, lying=cloths.lying))


def _no_cloth(state: Striping, cloths: Sorted, why: str) -> Turn:
    """Say what is wrong with cloth that was laid down, once; of an empty mat nothing is said."""
    here = replace(state, lying=cloths.lying)
    if cloths.is_empty or state.note == why:
        return Turn(here)
    return Turn(replace(here, note=why), (refused("cloth", "other", why),))


def _strips_at_once(state: Striping, found: FoundStrip) -> int:
    """Opened, a strip is as long as its layers together; it may give several of the plan's strips, or not even one."""
    return math.floor(found.width_mm * state.chapter.layers / (LENGTH_SHARE * state.due.length_mm))


def _cut_looked_for(state: Striping, seen: Observation) -> Turn:
    """While a cut is in the light: has it been made, was the cloth moved, is it still there?"""
    cloths = _sorted(state, seen)
    if isinstance(cloths.cloth, NoYardage):
        return _cloth_gone(state, cloths, cloths.cloth.why)
    before, now = known(state), cloths.cloth
    if now.length_mm - before.length_mm > LONGER_MM and not now.cut_off:
        return _cloth_looked_for(state, seen)
    here = replace(state, cloth=now, lying=cloths.lying)
    if _was_cut(state, now, cloths):
        if state.phase is Phase.SQUARE_END:
            return aimed(replace(here, raw_end=False, end_will_do=False))
        return _strip_cut(replace(here, end_will_do=False, inner=off_square(now)), cloths)
    if state.line is not None and is_untouched(before.outline_mat_mm, now.outline_mat_mm):
        return Turn(replace(here, cloth=before))
    again = aimed(here)
    return Turn(again.state) if state.line is not None and again.state.phase is state.phase else again


def _cloth_gone(state: Striping, cloths: Sorted, why: str) -> Turn:
    """The cloth is not seen: its last strip was cut and the rest put away, or it was lifted or is covered."""
    if state.phase is Phase.CUT_STRIP and cloths.strip is not None and gives(state, known(state), 0.0) <= 1:
        return _strip_judged(replace(state, cloth=None, lying=cloths.lying), cloths)
    note = "slide the strip clear of the cloth" if cloths.touching else why
    lost = replace(state, line=None, lying=cloths.lying, note=note)
    if state.note == note:
        return Turn(lost)
    return Turn(lost, (refused("cloth", "touching" if cloths.touching else "hidden", note),))


def _strip_cut(state: Striping, cloths: Sorted) -> Turn:
    if cloths.strip is None:
        return _strip_wanted(state, "missing", "lay the strip beside the cloth, folded as it is")
    return _strip_judged(state, cloths)


def _strip_looked_for(state: Striping, seen: Observation) -> Turn:
    """A strip was cut, but could not be measured where it lay."""
    cloths = _sorted(state, seen)
    found = cloths.cloth if not isinstance(cloths.cloth, NoYardage) else state.cloth
    here = replace(state, cloth=found, lying=cloths.lying)
    return Turn(here) if cloths.strip is None else _strip_judged(here, cloths)


def _strip_judged(state: Striping, cloths: Sorted) -> Turn:
    """Keep the strip, or say why it does not count."""
    if cloths.strip is None:
        raise ValueError("no strip was found")
    record = judged_strip(state, cloths.strip)
    verdict = record.judged.verdict
    if verdict in (None, Verdict.LOOK_AGAIN):
        return _strip_wanted(state, cloths.strip.trouble or "look_again", "slide the strip clear, folded as it is")
    if verdict is Verdict.OTHER:
        return onward(state).after(refused("strip", "other", "this is no strip of that width, put it away"))
    # One that is too narrow is set aside, and another is cut.
    counts = 0 if verdict is Verdict.SHORT else min(state.at_once, state.due.count - state.made[state.kind])
    lies = replace(
        state,
        made=tuple(made + counts * (kind == state.kind) for kind, made in enumerate(state.made)),
        last=record,
        last_mat_mm=cloths.strip_mat_mm,
        last_sides=(state.outer, state.inner),
        records=(*state.records, record),
        counted=(*state.counted, counts),
    )
    return replace(onward(lies), records=(record,))


def _strip_wanted(state: Striping, why: str, do: str) -> Turn:
    waiting = replace(state, phase=Phase.LAY_STRIP, line=None, note=do)
    if state.phase is Phase.LAY_STRIP and state.note == do:
        return Turn(waiting)
    return Turn(waiting, (refused("strip", why, do), ask(waiting, "strip", name=state.due.strip)))


RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_CLOTH, YardageSeen): _cloth_looked_for,
    (Phase.PULL_CLOTH, YardageSeen): _more_looked_for,
    (Phase.SQUARE_END, YardageSeen): _cut_looked_for,
    (Phase.CUT_STRIP, YardageSeen): _cut_looked_for,
    (Phase.LAY_STRIP, YardageSeen): _strip_looked_for,
    **{(phase, KeyPressed): by_key(KEYS) for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, YardageSeen)


# What the rules ask of the state.


def _sorted(state: Striping, seen: Observation) -> Sorted:
    if not isinstance(seen, YardageSeen):
        raise ValueError("not a measurement")
    return sort_yardage(state, seen)


def _was_cut(state: Striping, now: FoundStrip, cloths: Sorted) -> bool:
    """Shorter by at least half of what the cut in the light takes off.

    Where the cloth hangs over the mat's end its length is unknown: the end must have moved instead, and for a strip
    something new must lie there, for cloth that was only pulled along has moved too.
    """
    before, line = known(state), _line_of(state)
    due_mm = state.due.width_mm if state.phase is Phase.CUT_STRIP else shrinks_by_mm(before, line)
    if before.cut_off or now.cut_off:
        shift = (before.end_middle_mat_mm - now.end_middle_mat_mm) @ before.along
        seen = cloths.news or state.phase is Phase.SQUARE_END  # a sliver is put away
        return seen and abs(float(shift)) >= CUT_SHARE * due_mm
    return before.length_mm - now.length_mm >= CUT_SHARE * due_mm


def _line_of(state: Striping) -> CutLine:
    if state.line is not None:
        return state.line
    line = (aimed(state) if state.phase is Phase.SQUARE_END else strip_aimed(state)).state.line
    if line is None:
        raise ValueError("no line was laid")
    return line
