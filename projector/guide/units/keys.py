"""What the keys do while units are cut from strips."""

from __future__ import annotations

from dataclasses import replace

from projector.guide import tables
from projector.guide.looks import Observation
from projector.guide.units.judging import LAY_CLEAR, trim_aimed, with_record
from projector.guide.units.onward import aimed, ask, finished, onward, strip_wanted
from projector.guide.units.state import Cutting, Event, Lying, Phase, Turn

Rule = tables.Rule[Cutting]

AGAIN = "measuring again"
AS_ASKED = "true the end, as you asked"


def _mat_cleared(state: Cutting, _: Observation) -> Turn:
    return strip_wanted(state)


def _accept_turn(state: Cutting, _: Observation) -> Turn:
    """The person wants the strip cut as it lies."""
    return aimed(replace(state, as_it_lies=True))


def _accept_end(state: Cutting, seen: Observation) -> Turn:
    """A shift that is offered, else that the end will do as it is."""
    if state.offered:
        return _accept_shift(state, seen)
    return aimed(replace(state, raw_end=False, true_for="", end_will_do=True))


def _accept_shift(state: Cutting, _: Observation) -> Turn:
    return aimed(replace(state, blade=state.blade.accepted(), offered=False)) if state.offered else Turn(state)


def _accept_unit(state: Cutting, _: Observation) -> Turn:
    """The unit counts though it is too large; where it is to be turned first, it is trimmed as it lies."""
    if state.line is None:
        return trim_aimed(replace(state, as_it_lies=True))
    if state.last is None:
        return onward(state)
    kept = with_record(state, state.last.judged, counts=True, beside_mm=state.last.beside_mm)
    turn = onward(kept)
    return replace(turn, records=(kept.last,) if kept.last else ())


def _without_unit(state: Cutting, _: Observation) -> Turn:
    """The person goes on without the unit that could not be measured, or will not be trimmed; it does not count."""
    return onward(state)


def _decline_or_back(state: Cutting, seen: Observation) -> Turn:
    if state.offered:
        return aimed(replace(state, blade=state.blade.declined(), offered=False))
    return _back_to_strip(state, seen)


def _back_to_strip(state: Cutting, _: Observation) -> Turn:
    return strip_wanted(state)


def _true_up(state: Cutting, _: Observation) -> Turn:
    return aimed(replace(state, true_for=AS_ASKED, end_will_do=False))


def _measured_again(state: Cutting, _: Observation) -> Turn:
    """The last unit, as long as it lies there, is judged anew; else the strip is."""
    last = state.kept[-1].record if state.kept else None
    if last is not None and any(lying.record is last for lying in state.lying):
        undone = _taken_back(state)
        return replace(undone, state=replace(undone.state, phase=Phase.LAY_UNIT, line=None, note=AGAIN))
    if state.phase is Phase.LAY_STRIP:
        return Turn(replace(state, lying=(), note=AGAIN))
    return Turn(replace(state, line=None, note=AGAIN))


def _undone(state: Cutting, _: Observation) -> Turn:
    """The last judgement is taken back; the count goes back with it."""
    if not state.kept or state.plan.units[state.kept[-1].kind].cut is None:
        return Turn(replace(state, note="nothing is there to be taken back"))
    kind = state.kind
    turn = _taken_back(state)
    back = turn.state
    if back.phase is Phase.TRIM_UNIT:
        waiting = replace(back, phase=Phase.LAY_UNIT, line=None, note=f"{back.note}; {LAY_CLEAR}, or space goes on")
        return replace(turn, state=waiting, events=(*turn.events, ask(waiting, "unit", name=back.unit.name)))
    if back.phase is Phase.LAY_STRIP or (back.kind != kind and back.phase is not Phase.CLEAR_MAT):
        after = strip_wanted(back, *turn.events, note=back.note)
    elif back.phase in (Phase.CUT_UNIT, Phase.TRUE_END):
        after = aimed(back, *turn.events, note=back.note)
    else:
        return turn
    return replace(after, undone=turn.undone)


def _taken_back(state: Cutting) -> Turn:
    last = state.kept[-1]
    kept = state.kept[:-1]
    lying = tuple(
        Lying(one.outline_mat_mm) if one.record is not None and one.record is last.record else one
        for one in state.lying
    )
    back = replace(state, kept=kept, kind=last.kind, lying=lying, last=None)
    done, make = back.made[back.kind], back.cut.make
    told: Event = {"event": "seen", "what": "undone", "name": back.unit.name, "done": done, "of": make}
    return Turn(replace(back, note=f"taken back: {done} of {make} done"), (told,), undone=(1,))


def _stop(state: Cutting, _: Observation) -> Turn:
    ended = finished(state)
    return replace(ended, state=replace(ended.state, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _mat_cleared,
    (Phase.TURN_CLOTH, "on"): _accept_turn,
    (Phase.TRUE_END, "on"): _accept_end,
    (Phase.CUT_UNIT, "on"): _accept_shift,
    (Phase.TRIM_UNIT, "on"): _accept_unit,
    (Phase.LAY_UNIT, "on"): _without_unit,
    (Phase.TURN_CLOTH, "back"): _back_to_strip,
    (Phase.TRUE_END, "back"): _decline_or_back,
    (Phase.CUT_UNIT, "back"): _decline_or_back,
    (Phase.TRIM_UNIT, "back"): _without_unit,
    (Phase.LAY_UNIT, "back"): _back_to_strip,
    (Phase.CUT_UNIT, "true_up"): _true_up,
    **{(phase, "again"): _measured_again for phase in Phase if phase not in (Phase.CLEAR_MAT, Phase.DONE)},
    **{(phase, "undo"): _undone for phase in Phase if phase is not Phase.DONE},
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}
