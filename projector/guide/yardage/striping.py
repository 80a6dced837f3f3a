"""Strips from yardage as a table: what each observation means in each phase.

As in `cutting.py`: `step` never waits, draws, measures or reads a clock; every pair of a phase and an observation is in
`RULES` or in `IGNORED`, and keys have a table of their own, `KEYS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from projector.guide.chapters import YardageChapter
from projector.guide.cutting import CUT_SHARE, LONGER_MM, MEANINGS, STILL_MM
from projector.guide.layout import CutLine, FoundStrip, shrinks_by_mm
from projector.guide.looks import HandSeen, KeyPressed, MatCleared, Observation, YardageSeen
from projector.guide.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.truing import MARGIN_MM
from projector.guide.yardage.layout import (
    NoYardage,
    depth_words,
    off_square,
    room_mm,
    squaring_line,
    strip_line,
    truing_reason,
)
from projector.guide.yardage.scenes import scene_of
from projector.guide.yardage.sorting import Sorted, sort_yardage
from projector.guide.yardage.state import Phase, Step, Striping, Turn
from projector.guide.yardage.telling import ask, ask_for_cloth, ask_for_strip, ask_to_square, refused, seen_cloth
from projector.guide.yardage.verdict import judged_strip
from projector.piecing.plans import Plan
from vision.units import Verdict

LENGTH_SHARE = 0.95  # of a strip's length: with so much of it the plan's count still comes out

Rule = Callable[[Striping, Observation], Turn]


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
        return _drawn(_finished(first))
    return _drawn(Turn(first, (ask(first, "clear_mat"),)))


def step(state: Striping, seen: Observation) -> Step:
    """One turn: the next state, what to show, what to tell, what to keep."""
    rule = RULES.get((state.phase, type(seen)))
    return _drawn(rule(state, seen) if rule else Turn(state))


def _drawn(turn: Turn) -> Step:
    return Step(turn.state, scene_of(turn.state), turn.events, turn.records)


# From one phase to the next.


def _mat_cleared(state: Striping, _: Observation) -> Turn:
    return _cloth_wanted(state)


def _cloth_wanted(state: Striping, note: str = "") -> Turn:
    waiting = replace(
        state, phase=Phase.LAY_CLOTH, cloth=None, raw_end=True, line=None, outer=None, note=note, takes_any=False
    )
    return Turn(waiting, (ask_for_cloth(waiting),))


def _cloth_looked_for(state: Striping, seen: Observation) -> Turn:
    cloths = _sorted(state, seen)
    found = cloths.cloth
    if isinstance(found, NoYardage):
        return _no_cloth(state, cloths, found.why)
    at_once = _strips_at_once(state, found)
    if at_once == 0 and not state.takes_any:
        why = depth_words(found.width_mm, state.chapter.layers, state.due.length_mm)
        return _no_cloth(replace(state, cloth=found), cloths, why)
    ready = replace(state, cloth=found, raw_end=True, lying=cloths.lying, at_once=max(1, at_once))
    if _gives(ready, found, state.due.margin_mm) < 1 and not found.cut_off:
        return _no_cloth(state, cloths, "this cloth gives no strip of that width")
    return _aimed(ready).after(seen_cloth(ready, found))


def _no_cloth(state: Striping, cloths: Sorted, why: str) -> Turn:
    """Say what is wrong with cloth that was laid down, once; of an empty mat nothing is said."""
    here = replace(state, lying=cloths.lying)
    if cloths.is_empty or state.note == why:
        return Turn(here)
    return Turn(replace(here, note=why), (refused("cloth", "other", why),))


def _strips_at_once(state: Striping, found: FoundStrip) -> int:
    """Opened, a strip is as long as its layers together; it may give several of the plan's strips, or not even one."""
    return math.floor(found.width_mm * state.chapter.layers / (LENGTH_SHARE * state.due.length_mm))


def _aimed(state: Striping) -> Turn:
    """Lay the next line on the cloth: square to the fold where the end needs it, else a strip's."""
    found = _known(state)
    why = truing_reason(found, state.raw_end, state.plan.angle_tolerance_rad, state.chapter.layers)
    if why is not None:
        return _squaring(state, why)
    return _strip_aimed(state)


def _squaring(state: Striping, why: str) -> Turn:
    found = _known(state)
    margin_mm = state.due.margin_mm if state.raw_end else MARGIN_MM
    line = squaring_line(found, margin_mm, why, _gives(state, found, margin_mm))
    ready = replace(state, phase=Phase.SQUARE_END, line=line, note="")
    return Turn(ready, (ask_to_square(ready, found, why),))


def _strip_aimed(state: Striping) -> Turn:
    found = _known(state)
    line = strip_line(found, state.due.width_mm, _gives(state, found, 0.0))
    ready = replace(state, phase=Phase.CUT_STRIP, line=line, note="", outer=off_square(found))
    return Turn(ready, (ask_for_strip(ready),))


def _cut_looked_for(state: Striping, seen: Observation) -> Turn:
    """While a cut is in the light: has it been made, was the cloth moved, is it still there?"""
    cloths = _sorted(state, seen)
    if isinstance(cloths.cloth, NoYardage):
        return _cloth_gone(state, cloths, cloths.cloth.why)
    before, now = _known(state), cloths.cloth
    if now.length_mm - before.length_mm > LONGER_MM and not now.cut_off:
        return _cloth_looked_for(state, seen)
    here = replace(state, cloth=now, lying=cloths.lying)
    if _was_cut(state, now, cloths):
        if state.phase is Phase.SQUARE_END:
            return _aimed(replace(here, raw_end=False))
        return _strip_cut(here, cloths)
    if state.line is not None and _is_still(before, now):
        return Turn(replace(here, cloth=before))
    again = _aimed(here)
    return Turn(again.state) if state.line is not None and again.state.phase is state.phase else again


def _cloth_gone(state: Striping, cloths: Sorted, why: str) -> Turn:
    """The cloth is not seen: its last strip was cut and the rest put away, or it was lifted or is covered."""
    if state.phase is Phase.CUT_STRIP and cloths.strip is not None and _gives(state, _known(state), 0.0) <= 1:
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
    inner = None if state.cloth is None else off_square(state.cloth)
    record = judged_strip(state, cloths.strip, inner)
    verdict = record.judged.verdict
    if verdict in (None, Verdict.LOOK_AGAIN):
        return _strip_wanted(state, cloths.strip.trouble or "look_again", "slide the strip clear, folded as it is")
    if verdict is Verdict.OTHER:
        return _onward(state).after(refused("strip", "other", "this is no strip of that width, put it away"))
    made = state.made
    if verdict is not Verdict.SHORT:  # one that is too narrow is set aside, and another is cut
        kind = state.kind
        made = tuple(
            min(count + state.at_once, due.count) if k == kind else count
            for k, (count, due) in enumerate(zip(made, state.chapter.due, strict=True))
        )
    kept = (*state.records, record)
    lies = replace(state, made=made, last=record, last_mat_mm=cloths.strip_mat_mm, records=kept)
    return replace(_onward(lies), records=(record,))


def _strip_wanted(state: Striping, why: str, do: str) -> Turn:
    waiting = replace(state, phase=Phase.LAY_STRIP, line=None, note=do)
    if state.phase is Phase.LAY_STRIP and state.note == do:
        return Turn(waiting)
    return Turn(waiting, (refused("strip", why, do), ask(waiting, "strip", name=state.due.strip)))


def _onward(state: Striping) -> Turn:
    """The next strip: from this cloth or from more of it; or the end."""
    if state.is_made:
        return _finished(state)
    if state.cloth is None or (_gives(state, state.cloth, 0.0) < 1 and not state.cloth.cut_off):
        return _cloth_wanted(state, note="this cloth gives no more")
    return _aimed(state)


def _finished(state: Striping) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, cloth=None, line=None, note=""))


# Keys.


def _pressed(state: Striping, seen: Observation) -> Turn:
    if not isinstance(seen, KeyPressed):
        raise ValueError("not a key")
    rule = KEYS.get((state.phase, MEANINGS.get(seen.key.replace(" ", "").lower(), "")))
    return rule(state, seen) if rule else Turn(state)


def _cut_already(state: Striping, _: Observation) -> Turn:
    """Nothing unsuitable lies there: the strips of this fabric are at hand. Else the cloth that lies there will do."""
    if state.cloth is None:
        return _finished(state)
    any_cloth = replace(state, takes_any=True, at_once=1, raw_end=True)
    return _aimed(any_cloth).after(seen_cloth(any_cloth, state.cloth))


def _accept_end(state: Striping, _: Observation) -> Turn:
    """The person says that the end will do as it is."""
    return _strip_aimed(replace(state, raw_end=False)) if state.cloth is not None else Turn(state)


def _square_again(state: Striping, _: Observation) -> Turn:
    """The person wants the end trued, however little it is off."""
    return Turn(state) if state.cloth is None else _squaring(state, "square the end to the fold again")


def _without_strip(state: Striping, _: Observation) -> Turn:
    """The person goes on without the strip that could not be measured; it does not count."""
    return _onward(state)


def _back_to_cloth(state: Striping, _: Observation) -> Turn:
    return _cloth_wanted(state)


def _stop(state: Striping, _: Observation) -> Turn:
    ended = _finished(state)
    return replace(ended, state=replace(ended.state, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _mat_cleared,
    (Phase.LAY_CLOTH, "on"): _cut_already,
    (Phase.SQUARE_END, "on"): _accept_end,
    (Phase.LAY_STRIP, "on"): _without_strip,
    (Phase.CUT_STRIP, "true_up"): _square_again,
    (Phase.SQUARE_END, "back"): _back_to_cloth,
    (Phase.CUT_STRIP, "back"): _back_to_cloth,
    (Phase.LAY_STRIP, "back"): _back_to_cloth,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_CLOTH, YardageSeen): _cloth_looked_for,
    (Phase.SQUARE_END, YardageSeen): _cut_looked_for,
    (Phase.CUT_STRIP, YardageSeen): _cut_looked_for,
    (Phase.LAY_STRIP, YardageSeen): _strip_looked_for,
    **{(phase, KeyPressed): _pressed for phase in Phase if phase is not Phase.DONE},
}

IGNORED: frozenset[tuple[Phase, type]] = frozenset(
    {
        *((phase, HandSeen) for phase in Phase),  # the light stays; nothing is judged until all is still
        *((phase, MatCleared) for phase in Phase if phase is not Phase.CLEAR_MAT),
        (Phase.CLEAR_MAT, YardageSeen),  # without a picture of the empty mat nothing is measured
        (Phase.DONE, YardageSeen),
        (Phase.DONE, KeyPressed),
    }
)


# What the rules ask of the state.


def _sorted(state: Striping, seen: Observation) -> Sorted:
    if not isinstance(seen, YardageSeen):
        raise ValueError("not a measurement")
    return sort_yardage(state, seen)


def _known(state: Striping) -> FoundStrip:
    if state.cloth is None:
        raise ValueError("no cloth lies on the mat")
    return state.cloth


def _gives(state: Striping, found: FoundStrip, margin_mm: float) -> int:
    """How many strips of the plan the cloth gives yet, in the order in which they are due."""
    left_mm, gives = room_mm(found) - margin_mm, 0
    for made, due in zip(state.made, state.chapter.due, strict=True):
        for _ in range(made, due.count, state.at_once):
            left_mm -= due.width_mm
            if left_mm < 0.0:
                return gives
            gives += state.at_once
    return gives


def _was_cut(state: Striping, now: FoundStrip, cloths: Sorted) -> bool:
    """Shorter by at least half of what the cut in the light takes off.

    Where the cloth hangs over the mat's end its length is unknown: the end must have moved instead, and for a strip
    something new must lie there, for cloth that was only pulled along has moved too.
    """
    before, line = _known(state), _line_of(state)
    due_mm = state.due.width_mm if state.phase is Phase.CUT_STRIP else shrinks_by_mm(before, line)
    if before.cut_off or now.cut_off:
        shift = (before.end_middle_mat_mm - now.end_middle_mat_mm) @ before.along
        seen = cloths.news or state.phase is Phase.SQUARE_END  # a sliver is put away
        return seen and abs(float(shift)) >= CUT_SHARE * due_mm
    return before.length_mm - now.length_mm >= CUT_SHARE * due_mm


def _line_of(state: Striping) -> CutLine:
    if state.line is not None:
        return state.line
    line = (_aimed(state) if state.phase is Phase.SQUARE_END else _strip_aimed(state)).state.line
    if line is None:
        raise ValueError("no line was laid")
    return line


def _is_still(before: FoundStrip, now: FoundStrip) -> bool:
    if before.outline_mat_mm.shape != now.outline_mat_mm.shape:
        return False
    return bool(np.abs(before.outline_mat_mm - now.outline_mat_mm).max() <= STILL_MM)
