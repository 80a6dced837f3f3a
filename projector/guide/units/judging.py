"""What a judged unit means for the plan: it counts, it is trimmed where it lies, it is set aside, it is turned over.

What fits counts, and so does what is close: its probability is said, and `z` takes it back if that is too little.
What is too large is asked to be trimmed and judged again, the same unit with both judgements kept. What is too small is
set aside, and what lies face down is asked to be turned; neither counts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shapely import Polygon

from projector.guide.turning import turn_reason
from projector.guide.units.layout import Floats
from projector.guide.units.onecut import beside_at_unit_mm
from projector.guide.units.onward import ask, creep_reason, onward, refused
from projector.guide.units.sorting import UNIT_LIKE, same_place
from projector.guide.units.state import Cutting, Event, Kept, Lying, Phase, Record, Turn, wanted
from projector.guide.units.trimming import trim_line
from projector.guide.untouched import is_untouched
from vision.units import Judged, Verdict

COUNTS = (Verdict.FITS, Verdict.CLOSE)
TRIMMED_SHARE = 0.5  # of the area that a trim should take off: from here on it was made
TURN_OVER = "turn it face up, or space to leave it out"
LAY_CLEAR = "slide the unit clear"


def unit_judged(state: Cutting, unit: Judged, beside_mm: float | None = None) -> Turn:
    """Keep the judgement, and go on as it says. `beside_mm`: how far its cut ran beside the line, if the strip told."""
    if unit.verdict in (None, Verdict.LOOK_AGAIN):
        return unit_wanted(state, unit.unit.trouble or "look_again", LAY_CLEAR)
    if unit.verdict is Verdict.OTHER:
        return onward(state, refused("unit", "other", "this is no unit of the plan, put it away"))
    if beside_mm is None and state.phase is Phase.CUT_UNIT:
        beside_mm = beside_at_unit_mm(unit.unit, state.cut, state.blade.shift_mm)
        state = learned(state, beside_mm, None)
    counts = unit.verdict in COUNTS
    kept = with_record(state, unit, counts, beside_mm)
    match unit.verdict:
        case Verdict.TRIM:
            turn = trim_aimed(kept)
        case Verdict.SHORT:
            left = state.cut.make - kept.made[kept.kind]
            do = f"set it aside, {left} more to cut"
            turn = onward(kept, refused("unit", "short", do), note=f"too small: {do}")
        case Verdict.TURNED_OVER:
            turn = unit_wanted(kept, "turned_over", TURN_OVER)
        case _:
            turn = onward(with_creep(kept))
    return replace(turn, records=(kept.last,) if kept.last else ())


def learned(state: Cutting, beside_mm: float | None, tilt_rad: float | None) -> Cutting:
    """One cut more is known of this hand and its blade; a slip is no part of a creep."""
    blade = state.blade if beside_mm is None else state.blade.after(beside_mm)
    if tilt_rad is None or (beside_mm is not None and blade.slipped):
        return replace(state, blade=blade)
    return replace(state, blade=blade, watched=(*state.watched, (beside_mm, tilt_rad)))


def with_creep(state: Cutting) -> Cutting:
    """Before the next unit the end is trued where cuts creep; from there on they are watched anew."""
    why = creep_reason(state)
    return replace(state, true_for=why, watched=()) if why else state


def with_record(state: Cutting, unit: Judged, counts: bool, beside_mm: float | None = None) -> Cutting:
    """The judgement kept, the cloth it belongs to known as judged, its verdict the one in the light."""
    made, of = state.made[state.kind], state.cut.make
    record = Record(unit, state.unit.name, made + 1, of, counts, beside_mm, state.blade.shift_mm)
    lying = tuple(
        Lying(one.outline_mat_mm, record) if one.outline_mat_mm is unit.unit.corners_mat_mm else one
        for one in state.lying
    )
    return replace(state, kept=(*state.kept, Kept(state.kind, counts, record)), lying=lying, last=record)


def unit_wanted(state: Cutting, why: str, do: str) -> Turn:
    """Ask for the unit to be laid where, or as, it can be measured; once."""
    waiting = replace(state, phase=Phase.LAY_UNIT, line=None, note=do)
    if state.phase is Phase.LAY_UNIT and state.note == do:
        return Turn(waiting)
    return Turn(waiting, (refused("unit", why, do), ask(waiting, "unit", name=state.unit.name)))


def trim_aimed(state: Cutting, *events: Event) -> Turn:
    """Lay the trim line on the last judged unit; the unit is to be turned first where it would not run away."""
    shape = wanted(state)
    if state.last is None or shape is None:
        return onward(state, *events)
    line = trim_line(state.last.judged.unit, shape, state.plan.hand, state.blade.shift_mm)
    if line is None:  # more than one way off at once: no straight cuts help
        left = state.cut.make - state.made[state.kind]
        do = f"set it aside, {left} more to cut"
        return onward(state, *events, refused("unit", "not_to_be_trimmed", do), note=f"no trim helps: {do}")
    turn = None if state.as_it_lies or state.sitting.stand != "near" else turn_reason(line, "unit")
    if turn is not None:
        waiting = replace(state, phase=Phase.TRIM_UNIT, line=None, note=turn)
        if state.phase is Phase.TRIM_UNIT and state.note == turn:
            return Turn(waiting, events)
        return Turn(waiting, (*events, ask(waiting, "turn_cloth", name=state.unit.name, do=turn)))
    ready = replace(state, phase=Phase.TRIM_UNIT, line=line, note="")
    return Turn(ready, (*events, ask(ready, "trim", name=state.unit.name, cut=len(state.kept))))


def trim_seen(state: Cutting, judged: tuple[Judged, ...]) -> Turn:
    """While a unit is to be trimmed: has it been, was it only moved, is it still there?"""
    unit = _unit_to_trim(state, judged)
    if unit is None or state.last is None:
        return Turn(state)
    if unit.verdict in (None, Verdict.LOOK_AGAIN):
        return Turn(state) if state.note == LAY_CLEAR else Turn(replace(state, note=LAY_CLEAR))
    old = state.last.judged.unit.corners_mat_mm
    now = unit.unit.corners_mat_mm
    if state.line is not None and is_untouched(old, now):
        return Turn(state)
    if _area(old) - _area(now) >= TRIMMED_SHARE * _due_mm2(state):
        return unit_judged(replace(state, line=None), unit)
    # Only moved: the same judgement, and the line goes with the unit.
    record = replace(state.last, judged=unit)
    lying = tuple(Lying(one.outline_mat_mm, record) if one.outline_mat_mm is now else one for one in state.lying)
    kept = (*state.kept[:-1], replace(state.kept[-1], record=record))
    turn = trim_aimed(replace(state, lying=lying, last=record, kept=kept))
    return Turn(turn.state) if state.line is not None and turn.state.line is not None else turn


def _unit_to_trim(state: Cutting, judged: tuple[Judged, ...]) -> Judged | None:
    """The cloth that lies where the unit lay; else the one that is like a unit and was not judged before."""
    was = None if state.last is None else state.last.judged.unit.corners_mat_mm
    known = [one.outline_mat_mm for one in state.lying if one.record is not None and one.record is not state.last]
    like = [one for one in judged if one.verdict in (*UNIT_LIKE, Verdict.LOOK_AGAIN)]
    fresh = [one for one in like if not any(same_place(one.unit.corners_mat_mm, other) for other in known)]
    there = [one for one in fresh if was is not None and same_place(one.unit.corners_mat_mm, was)]
    return next(iter(there or [one for one in fresh if one.verdict in UNIT_LIKE]), None)


def _due_mm2(state: Cutting) -> float:
    """What the trim in the light takes off the unit, mm2; nothing is due without a line."""
    if state.line is None or state.last is None:
        return float("inf")
    start, end = state.line.cloth_mat_mm
    outline = state.last.judged.unit.corners_mat_mm
    left = np.array([-(end - start)[1], (end - start)[0]]) / np.hypot(*(end - start))
    off = -left if state.line.keep == "left" else left
    far = 2.0 * float(np.ptp(outline, axis=0).max()) * (end - start) / np.hypot(*(end - start))
    beyond = Polygon([start - far, end + far, end + far + 1e3 * off, start - far + 1e3 * off])
    return float(Polygon(outline).buffer(0.0).intersection(beyond).area)


def _area(outline: Floats) -> float:
    return float(Polygon(outline).area)
