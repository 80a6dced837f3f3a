"""What each key means while strips are cut from yardage."""

from __future__ import annotations

from dataclasses import replace

from projector.guide import tables
from projector.guide.looks import Observation
from projector.guide.steps import Event
from projector.guide.yardage.onward import aimed, cloth_wanted, finished, onward, squaring
from projector.guide.yardage.sorting import same_place
from projector.guide.yardage.state import Phase, Striping, Turn
from projector.guide.yardage.telling import seen_cloth

AS_ASKED = "square the end to the fold"
AGAIN = "measuring again"

Rule = tables.Rule[Striping]


def _cut_already(state: Striping, _: Observation) -> Turn:
    """Nothing unsuitable lies there: the strips of this fabric are at hand. Else the cloth that lies there will do."""
    if state.cloth is None:
        return finished(state)
    any_cloth = replace(state, takes_any=True, at_once=1, raw_end=True)
    return aimed(any_cloth).after(seen_cloth(any_cloth, state.cloth))


def _no_more(state: Striping, _: Observation) -> Turn:
    """Nothing hangs there any more."""
    return cloth_wanted(state, note="this cloth gives no more")


def _accept_end(state: Striping, _: Observation) -> Turn:
    """The person says that the end will do as it is."""
    return Turn(state) if state.cloth is None else aimed(replace(state, raw_end=False, end_will_do=True))


def _square_again(state: Striping, _: Observation) -> Turn:
    """The person wants the end trued, however little it is off."""
    return Turn(state) if state.cloth is None else squaring(replace(state, end_will_do=False), AS_ASKED)


def _without_strip(state: Striping, _: Observation) -> Turn:
    """The person goes on without the strip that could not be measured; it does not count."""
    return onward(state)


def _back_to_cloth(state: Striping, _: Observation) -> Turn:
    return cloth_wanted(state)


def _undone(state: Striping, _: Observation) -> Turn:
    """The last judgement is taken back; the count goes back with it."""
    if not state.records:
        return Turn(replace(state, note="nothing is there to be taken back"))
    taken = _taken_back(state)
    if state.phase is not Phase.CUT_STRIP or state.cloth is None:
        return taken
    again = aimed(taken.state)
    return replace(again, state=replace(again.state, note=taken.state.note), undone=(1,)).after(*taken.events)


def _measured_again(state: Striping, _: Observation) -> Turn:
    """The last strip, as long as it lies there, is judged anew; else the cloth is looked at anew."""
    if state.last is None or state.last_mat_mm is None or not state.records:
        return Turn(replace(state, line=None, note=AGAIN))
    taken = _taken_back(state)
    lying = tuple(outline for outline in state.lying if not same_place(outline, state.last_mat_mm))
    outer, inner = state.last_sides
    waiting = replace(taken.state, phase=Phase.LAY_STRIP, line=None, lying=lying, outer=outer, inner=inner, note=AGAIN)
    return replace(taken, state=waiting)


def _taken_back(state: Striping) -> Turn:
    """The latest record of this sitting; what it counted is what it added to `made`."""
    last = state.records[-1]
    kind = next(k for k, due in enumerate(state.chapter.due) if (due.strip, due.band) == (last.strip_name, last.band))
    made = tuple(count - state.counted[-1] if k == kind else count for k, count in enumerate(state.made))
    back = replace(state, made=made, records=state.records[:-1], counted=state.counted[:-1], last=None)
    told: Event = {"event": "seen", "what": "undone", "name": last.name, "done": sum(made), "of": state.wanted}
    return Turn(replace(back, note=f"taken back: {sum(made)} of {state.wanted} done"), (told,), undone=(1,))


def _stop(state: Striping, _: Observation) -> Turn:
    ended = finished(state)
    return replace(ended, state=replace(ended.state, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _back_to_cloth,
    (Phase.LAY_CLOTH, "on"): _cut_already,
    (Phase.PULL_CLOTH, "on"): _no_more,
    (Phase.SQUARE_END, "on"): _accept_end,
    (Phase.LAY_STRIP, "on"): _without_strip,
    (Phase.CUT_STRIP, "true_up"): _square_again,
    **{(phase, "undo"): _undone for phase in Phase if phase not in (Phase.CLEAR_MAT, Phase.DONE)},
    **{(phase, "again"): _measured_again for phase in (Phase.SQUARE_END, Phase.CUT_STRIP)},
    (Phase.PULL_CLOTH, "back"): _back_to_cloth,
    (Phase.SQUARE_END, "back"): _back_to_cloth,
    (Phase.CUT_STRIP, "back"): _back_to_cloth,
    (Phase.LAY_STRIP, "back"): _back_to_cloth,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}
