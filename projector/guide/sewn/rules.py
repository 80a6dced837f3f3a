"""What each observation means while sewn units are trimmed, judged and marked: the rules that `machine.RULES` lists."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps, tables
from projector.guide.looks import Observation, Seen
from projector.guide.sewn.place import LaidUnit, lay_unit
from projector.guide.sewn.sorting import found_unit, is_same, is_still, is_turned_over, lay_there, still_lying
from projector.guide.sewn.state import Phase, Sewn, sewn_kinds, wanted_count
from projector.guide.sewn.trims import SideToTrim, settled, sides_to_trim, trim_line
from projector.guide.units.state import wanted_of
from projector.piecing.lengths import difference_text
from projector.piecing.plans import Plan
from vision.units import Judged, Verdict

Floats = NDArray[np.float64]

LEAST_RISE_RAD = math.radians(30.0)  # a flatter cut would run across the body
AS_STEEP_RAD = math.radians(5.0)  # sides that run so nearly alike are cut in the plan's order
COUNTED = (Verdict.FITS, Verdict.CLOSE, Verdict.TRIM)  # too small does not count


Turn = steps.Turn[Sewn]


Rule = tables.Rule[Sewn]


# From one phase to the next.


def mat_cleared(state: Sewn, _: Observation) -> Turn:
    return unit_wanted(state)


def unit_wanted(state: Sewn, *events: steps.Event, note: str = "") -> Turn:
    waiting = replace(state, phase=Phase.LAY_SEWN, laid=None, sides=(), line=None, note=note)
    return Turn(waiting, (*events, ask(waiting, "unit", purpose="sewn")))


def unit_looked_for(state: Sewn, seen: Observation) -> Turn:
    """Is one of the cloths that were not there before the unit that was asked for?"""
    cloths = _cloths(seen)
    fresh = [cloth for cloth in cloths if not lay_there(state, cloth)]
    here = replace(state, lying=tuple(c.unit.corners_mat_mm for c in cloths if lay_there(state, c)))
    found = found_unit(here, fresh)
    if found is None:
        return _not_found(here, fresh)
    cloth, laid = found
    others = tuple(other.unit.corners_mat_mm for other in cloths if other is not cloth)
    return _worked(replace(here, lying=others), cloth, laid, _told(here, laid))


def _not_found(state: Sewn, fresh: list[Judged]) -> Turn:
    """Say once what is wrong with the cloth that was laid down."""
    why, do = "", ""
    if any(cloth.unit.trouble for cloth in fresh):
        why = next(cloth.unit.trouble for cloth in fresh if cloth.unit.trouble)
        do = next(cloth.why for cloth in fresh if cloth.unit.trouble) or "lay it alone, and flat"
    elif any(is_turned_over(state, cloth) for cloth in fresh):
        why, do = "turned_over", "turn it over: the printed face up"
    elif fresh:
        seams = any(cloth.unit.seams for cloth in fresh)
        why = "other" if seams else "no_seam"
        do = f"this is not {state.unit.name}" if seams else "no seam is seen: use more light, or lay it flat"
    if not why or state.note == do:
        return Turn(state)
    return Turn(replace(state, note=do), (_refused("unit", why, do),))


def _worked(state: Sewn, cloth: Judged, laid: LaidUnit, *events: steps.Event) -> Turn:
    """What is to be done with the unit as it lies: the next trim, or, where nothing is over, the verdict.

    `events` are told where there is something to trim; else the verdict says it all.
    """
    laid = settled(laid, state.unit.trims, state.limit_mm(0))
    here = replace(state, laid=laid, sides=sides_to_trim(laid, state.unit.trims))
    if len(here.sides) < len(state.unit.trims):
        return _unseen(state)
    over = [side for side in here.sides if side.is_over(here.limit_mm(side.side))]
    if not over or any(side.is_short(here.limit_mm(side.side)) for side in here.sides):
        return _judged(here, cloth)
    return _trim_wanted(here, over, *events)


def _unseen(state: Sewn) -> Turn:
    """Some sides have no seam to be trimmed from: without it nothing is cut."""
    do = "not all of its seams are seen: use more light, or lay it elsewhere"
    waiting = replace(state, phase=Phase.LAY_SEWN, laid=None, sides=(), line=None, note=do)
    return Turn(waiting, () if state.note == do else (_refused("unit", "no_seam", do),))


def _trim_wanted(state: Sewn, over: list[SideToTrim], *events: steps.Event) -> Turn:
    """Of the sides that are over, the one whose cut runs most nearly away from the person; none across the body.

    One that is in the light already stays there.
    """
    before = state.line.side if state.phase is Phase.TRIM and state.line is not None else None
    steepest = max(_rise_rad(state, one) for one in over)
    shown = [one for one in over if one.side == before and _rise_rad(state, one) >= LEAST_RISE_RAD]
    side = next(one for one in (*shown, *over) if one in shown or _rise_rad(state, one) > steepest - AS_STEEP_RAD)
    if steepest < LEAST_RISE_RAD:
        turned = replace(state, phase=Phase.TURN_SEWN, line=None, note="turn it a quarter, to cut away from yourself")
        asked = state.phase is Phase.TURN_SEWN
        return Turn(turned, events if asked else (*events, ask(turned, "turn_cloth")))
    return trim_shown(state, side, *events)


def trim_shown(state: Sewn, side: SideToTrim, *events: steps.Event) -> Turn:
    """The side's line in the light; it is asked for once."""
    before = state.line.side if state.phase is Phase.TRIM and state.line is not None else None
    ready = replace(state, phase=Phase.TRIM, line=trim_line(known(state), side), note="")
    if before == side.side:
        return Turn(ready, events)  # the line follows, the request is the same
    return Turn(ready, (*events, ask(ready, "trim", side=side.side)))


def trim_looked_for(state: Sewn, seen: Observation) -> Turn:
    """While a trim is in the light: was it cut, was the unit moved, is it still there?"""
    cloths = _cloths(seen)
    found = found_unit(state, cloths)
    if found is None:
        return _lost(state, cloths)
    cloth, laid = found
    here = replace(state, lying=tuple(c.unit.corners_mat_mm for c in cloths if c is not cloth), note="")
    if state.line is not None and is_still(known(state), laid):
        return Turn(here)
    return _worked(here, cloth, laid)


def _lost(state: Sewn, cloths: tuple[Judged, ...]) -> Turn:
    """The unit is not seen whole: lifted, covered, or touched by what was cut off."""
    touching = any(cloth.unit.trouble == "touching" for cloth in cloths)
    note = "slide what was cut off clear of it" if touching else "lay it back"
    lost = replace(state, line=None, note=note)
    if state.note == note:
        return Turn(lost)
    return Turn(lost, (_refused("unit", "touching" if touching else "hidden", note),))


def _judged(state: Sewn, cloth: Judged) -> Turn:
    """Keep the unit; one that is too small does not count."""
    judged = by_seams(state, cloth)
    if judged.verdict in (None, Verdict.LOOK_AGAIN, Verdict.OTHER):
        why, do = judged.unit.trouble or "look_again", judged.why or "lay it alone, and flat"
        waiting = replace(state, phase=Phase.LAY_SEWN, line=None, note=do)
        return Turn(waiting, () if state.note == do else (_refused("unit", why, do),))
    counts = judged.verdict in COUNTED
    record = steps.Record(judged, state.unit.name, state.number, state.wanted, counts)
    made = tuple(count + (counts and kind == state.kind) for kind, count in enumerate(state.made))
    note = "" if counts else "set it aside, it does not count"
    marked = replace(state, phase=Phase.MARK, made=made, line=None, last=record, note=note)
    asked = ask(state, "take_unit")
    return Turn(marked, (asked,), (record,))


def by_seams(state: Sewn, cloth: Judged) -> Judged:
    """The verdict on a unit: too small by its seams before anything else; by its seams where its outline has ears.

    A corner beside an ear's short side is hardly seen, though every side that is trimmed is.
    """
    hidden = cloth.verdict is Verdict.LOOK_AGAIN and cloth.unit.trouble != "unsure"
    short = [side for side in state.sides if side.is_short(state.limit_mm(side.side))]
    if short and not hidden:
        worst = min(short, key=lambda side: side.mean_mm)
        off = difference_text(worst.mean_mm, "too far out", "too near", metric=state.plan.metric)
        why = f"side {worst.side} is {off} its seam"
        return replace(cloth, verdict=Verdict.SHORT, why=why, expected=state.unit.name)
    if hidden or cloth.verdict not in (Verdict.OTHER, Verdict.LOOK_AGAIN):
        return cloth
    if not state.sides:
        return cloth
    every = len(state.sides) == len(state.laid.shape.corners_mm) if state.laid else False
    sure = every and all(side.is_surely_inside(state.limit_mm(side.side)) for side in state.sides)
    why = "" if sure else "judged by its seams alone"
    verdict = Verdict.FITS if sure else Verdict.CLOSE
    # Its sides are not those of the plan, so nothing is said of each.
    return replace(
        cloth, verdict=verdict, why=why, expected=state.unit.name, offsets_mm=None, offsets_u_mm=None, findings=()
    )


def mark_looked_at(state: Sewn, seen: Observation) -> Turn:
    """The marks stay until the unit is taken away; whoever lays the next one in its place takes it away, too."""
    cloths = _cloths(seen)
    same = next((cloth for cloth in cloths if is_same(known(state), cloth)), None)
    laid = None if same is None else lay_unit(same.unit, wanted_of(state.plan, state.unit))
    others = tuple(cloth.unit.corners_mat_mm for cloth in cloths if cloth is not same)
    if laid is None:
        turn = onward(replace(state, lying=()))
        if turn.state.phase is not Phase.LAY_SEWN or not cloths:
            return turn
        following = unit_looked_for(replace(turn.state, lying=still_lying(state, cloths)), seen)
        asked = turn.events if following.state.phase is Phase.LAY_SEWN else ()
        return replace(following, events=(*asked, *following.events))
    here = replace(state, lying=others)
    if is_still(known(state), laid):
        return Turn(here)
    moved = settled(laid.as_before(known(state)), state.unit.trims, state.limit_mm(0))
    return Turn(replace(here, laid=moved, sides=sides_to_trim(moved, state.unit.trims)))


def onward(state: Sewn) -> Turn:
    """The next unit: another one of its kind, or of the next kind; or the end."""
    kind = state.kind if not _is_made(state.plan, state.made, state.kind) else next_kind(*so_far(state))
    return finished(state) if kind is None else unit_wanted(replace(state, kind=kind))


def finished(state: Sewn) -> Turn:
    laid = () if state.laid is None else (state.laid.unit.corners_mat_mm,)  # words keep off what lies there
    return Turn(replace(state, phase=Phase.DONE, laid=None, lying=state.lying + laid, sides=(), line=None, note=""))


# What the rules ask of the state.


def _cloths(seen: Observation) -> tuple[Judged, ...]:
    if not isinstance(seen, Seen):
        raise ValueError("not a measurement")
    return seen.cloths


def known(state: Sewn) -> LaidUnit:
    if state.laid is None:
        raise ValueError("no unit lies on the mat")
    return state.laid


def _rise_rad(state: Sewn, side: SideToTrim) -> float:
    """How steeply a side runs away from the person: 0 across the body, a quarter turn straight away."""
    run = side.line_mat_mm[1] - side.line_mat_mm[0]
    turn = math.atan2(float(run[1]), float(run[0])) - state.sitting.turn_rad
    return math.asin(min(1.0, abs(math.sin(turn))))


def taken_back(state: Sewn) -> Sewn:
    """Without the last judgement, at the kind of unit that it was of."""
    last = state.last
    if last is None:
        return state
    kind = next(k for k, unit in enumerate(state.plan.units) if unit.name == last.unit_name)
    made = tuple(count - (last.counts and k == kind) for k, count in enumerate(state.made))
    return replace(state, made=made, kind=kind, last=None)


def _is_made(plan: Plan, made: tuple[int, ...], kind: int) -> bool:
    return made[kind] >= wanted_count(plan, plan.units[kind])


def so_far(state: Sewn) -> tuple[Plan, tuple[int, ...], int]:
    return state.plan, state.made, state.kind


def next_kind(plan: Plan, made: tuple[int, ...], kind: int) -> int | None:
    return next((k for k in sewn_kinds(plan) if k > kind and not _is_made(plan, made, k)), None)


def ask(state: Sewn, what: str, **more: object) -> steps.Event:
    """`n` of `of` counts the units of its kind."""
    return {"event": "ask", "what": what, "n": state.number, "of": state.wanted, "name": state.unit.name, **more}


def _told(state: Sewn, laid: LaidUnit) -> steps.Event:
    """What was recognised, and how far each side reaches past where its seam wants it."""
    sides = sides_to_trim(settled(laid, state.unit.trims, state.limit_mm(0)), state.unit.trims)
    return {
        "event": "seen",
        "what": "unit",
        "name": state.unit.name,
        "seams": len(laid.seams),
        "over_mm": [
            {"side": side.side, "mean": side.mean_mm, "most": side.greatest_mm, "u": side.u_mm} for side in sides
        ],
    }


def _refused(what: str, why: str | None, do: str) -> steps.Event:
    return {"event": "refused", "what": what, "why": why, "do": do}
