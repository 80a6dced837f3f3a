"""Sewn units as a table: laid down, trimmed side by side by their seams, judged, marked for the next seam.

`step` never waits, draws, measures or reads a clock. Every pair of a phase and an observation is either in `RULES` or
in `IGNORED`; keys have a table of their own, `KEYS`.
"""

from __future__ import annotations

from dataclasses import replace

from projector.guide import steps
from projector.guide.looks import KeyPressed, MatCleared, Observation, Seen
from projector.guide.scene.scenes import Point
from projector.guide.sewn.rules import (
    Rule,
    Turn,
    ask,
    finished,
    known,
    mark_looked_at,
    mat_cleared,
    next_kind,
    onward,
    so_far,
    taken_back,
    trim_looked_for,
    trim_shown,
    unit_looked_for,
    unit_wanted,
)
from projector.guide.sewn.stage import scene_of
from projector.guide.sewn.state import Phase, Sewn, sewn_kinds
from projector.guide.sitting import USUAL, Sitting
from projector.guide.tables import by_key, ignored, turn_by
from projector.piecing.plans import Plan

Step = steps.Step[Sewn]


def begin(
    plan: Plan, area_mat_mm: tuple[Point, ...], made: tuple[int, ...] | None = None, sitting: Sitting = USUAL
) -> Step:
    """Start with a plan's sewn units, or go on where `made` counts those judged of each kind of the plan.

    `area_mat_mm` is the polygon of the mat that light reaches. Raises ValueError where nothing is sewn.
    """
    kinds = sewn_kinds(plan)
    if not kinds:
        raise ValueError("the plan has no unit that is sewn")
    counts = made or (0,) * len(plan.units)
    kind = next_kind(plan, counts, -1)
    first = Sewn(plan, area_mat_mm, counts, kinds[0] if kind is None else kind, sitting=sitting)
    if kind is None:
        return finished(first).drawn(scene_of)
    return Turn(first, (ask(first, "clear_mat"),)).drawn(scene_of)


def step(state: Sewn, seen: Observation) -> Step:
    """One turn of the chapter: the next state, what to show, what to tell, what to keep."""
    return turn_by(RULES, state, seen).drawn(scene_of)


# Keys.


def _without_kind(state: Sewn, _: Observation) -> Turn:
    """The person trims no more of this kind here."""
    kind = next_kind(*so_far(state))
    return finished(state) if kind is None else unit_wanted(replace(state, kind=kind))


def _cut_as_it_lies(state: Sewn, _: Observation) -> Turn:
    """The person cuts across the body after all."""
    over = [side for side in state.sides if side.is_over(state.limit_mm(side.side))]
    return trim_shown(state, over[0]) if over else Turn(state)


def _undone(state: Sewn, _: Observation) -> Turn:
    """The last judgement is taken back; where its unit lies still, it is left alone until it is laid anew."""
    if state.last is None or state.phase not in (Phase.MARK, Phase.LAY_SEWN):
        return Turn(state)
    lying = () if state.laid is None else (state.laid.unit.corners_mat_mm,)
    back = taken_back(replace(state, lying=state.lying + lying))
    done = f"taken back: {back.made[back.kind]} of {back.wanted} done"
    told: steps.Event = {"event": "seen", "what": "undone", "name": back.unit.name, "done": done, "of": back.wanted}
    return replace(unit_wanted(back, told, note=done), undone=(1,))


def _again(state: Sewn, _: Observation) -> Turn:
    """The unit is measured and judged again where it lies."""
    if state.last is None:
        return Turn(state)
    return replace(unit_wanted(taken_back(state), note="it is measured again"), undone=(1,))


def _marks_taken(state: Sewn, _: Observation) -> Turn:
    """The marks were taken over; the unit may stay where it lies."""
    return onward(replace(state, lying=(*state.lying, known(state).unit.corners_mat_mm)))


def _back_to_unit(state: Sewn, _: Observation) -> Turn:
    return unit_wanted(state)


def _stop(state: Sewn, _: Observation) -> Turn:
    ended = finished(state)
    return replace(ended, state=replace(ended.state, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): mat_cleared,
    (Phase.LAY_SEWN, "on"): _without_kind,
    (Phase.TURN_SEWN, "on"): _cut_as_it_lies,
    (Phase.MARK, "on"): _marks_taken,
    (Phase.MARK, "again"): _again,
    (Phase.MARK, "undo"): _undone,
    (Phase.LAY_SEWN, "undo"): _undone,
    (Phase.TRIM, "back"): _back_to_unit,
    (Phase.TURN_SEWN, "back"): _back_to_unit,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): mat_cleared,
    (Phase.LAY_SEWN, Seen): unit_looked_for,
    (Phase.TRIM, Seen): trim_looked_for,
    (Phase.TURN_SEWN, Seen): trim_looked_for,
    (Phase.MARK, Seen): mark_looked_at,
    **{(phase, KeyPressed): by_key(KEYS) for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, Seen)
