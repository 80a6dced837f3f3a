"""The guided cut as a table: what each observation means in each phase.

`step` never waits, draws, measures or reads a clock. Every pair of a phase and an observation is either in
`RULES` or in `IGNORED`; keys have a table of their own, `KEYS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from projector.guide.layout import (
    CutLine,
    FoundStrip,
    NotTheStrip,
    shrinks_by_mm,
    step_mm,
    unit_line,
)
from projector.guide.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.sorting import UNIT_LIKE, Sorted, sort_cloths
from projector.guide.stage import scene_of
from projector.guide.state import (
    Cutting,
    Event,
    HandSeen,
    KeyPressed,
    Lying,
    MatCleared,
    Observation,
    Phase,
    Record,
    Seen,
    Step,
    Turn,
)
from projector.guide.truing import margin_mm, truing_line, truing_reason
from projector.piecing.plans import Plan
from vision.units import Judged, Verdict

STILL_MM = 0.3  # a strip whose corners moved by less was not touched; its line stays where it is
CUT_SHARE = 0.5  # of the shortening that a cut should bring: from here on it was made
TOUCHING = "touching"
LONGER_MM = 5.0  # a strip that has grown by more is another strip

Rule = Callable[[Cutting, Observation], Turn]


def begin(
    plan: Plan, area_mat_mm: tuple[Point, ...], made: tuple[int, ...] | None = None, sitting: Sitting = USUAL
) -> Step:
    """Start a plan, or go on with it where `made` counts the judged units of each kind.

    `area_mat_mm` is the polygon of the mat that light reaches. Raises ValueError if there is nothing to cut.
    """
    if not plan.wanted:
        raise ValueError("the plan has no unit that is cut from a strip")
    counts = made or (0,) * len(plan.units)
    first = Cutting(plan, area_mat_mm, counts, kind=_next_kind(plan, counts, 0) or 0, sitting=sitting)
    if all(_is_made(plan, counts, kind) for kind in range(len(plan.units))):
        return _drawn(_finished(first))
    return _drawn(Turn(first, (_ask(first, "clear_mat"),)))


def step(state: Cutting, seen: Observation) -> Step:
    """One turn of the guided cut: the next state, what to show, what to tell, what to keep."""
    rule = RULES.get((state.phase, type(seen)))
    return _drawn(rule(state, seen) if rule else Turn(state))


def _drawn(turn: Turn) -> Step:
    return Step(turn.state, scene_of(turn.state), turn.events, turn.records)


# From one phase to the next.


def _mat_cleared(state: Cutting, seen: Observation) -> Turn:
    light = seen.light if isinstance(seen, MatCleared) else None
    return _strip_wanted(replace(state, sitting=state.sitting.under(light)))


def _strip_wanted(state: Cutting, *events: Event, note: str = "") -> Turn:
    rest = () if state.strip is None else (Lying(state.strip.outline_mat_mm),)
    waiting = replace(
        state,
        phase=Phase.LAY_STRIP,
        strip=None,
        raw_end=True,
        line=None,
        lying=state.lying + rest,
        note=note,
    )
    return Turn(waiting, (*events, _ask(waiting, state.source.kind, name=state.source.name)))


def _strip_looked_for(state: Cutting, seen: Observation) -> Turn:
    cloths = _sorted(state, seen)
    if isinstance(cloths.strip, NotTheStrip):
        return _not_the_strip(state, cloths, cloths.lying, cloths.strip.why)
    if unit_line(cloths.strip, state.cut).units_left < 1 and not cloths.strip.cut_off:
        lying = (*cloths.lying, Lying(cloths.strip.outline_mat_mm))
        return _not_the_strip(state, cloths, lying, "too short for a unit, lay the next one")
    return _strip_found(state, cloths)


def _not_the_strip(state: Cutting, cloths: Sorted, lying: tuple[Lying, ...], why: str) -> Turn:
    """Say what is wrong with cloth that was laid down; of what lay there before nothing is said."""
    if not cloths.news:
        return Turn(replace(state, lying=lying))
    return Turn(replace(state, lying=lying, note=why), (_refused(state.source.kind, "other", why),))


def _strip_found(state: Cutting, cloths: Sorted) -> Turn:
    strip = _found(cloths)
    seen: Event = {
        "event": "seen",
        "what": state.source.kind,
        "name": state.source.name,
        "width_mm": strip.width_mm,
        "length_mm": strip.length_mm,
    }
    return _aimed(replace(state, strip=strip, raw_end=True, lying=cloths.lying), seen)


def _aimed(state: Cutting, *events: Event) -> Turn:
    """Lay the next line on the strip: a truing cut where the end needs one, else a unit's."""
    line = _next_line(state)
    phase = Phase.TRUE_END if line.purpose == "true_up" else Phase.CUT_UNIT
    ready = replace(state, phase=phase, line=line, note="")
    return Turn(ready, (*events, _ask(ready, "cut", purpose=line.purpose)))


def _next_line(state: Cutting) -> CutLine:
    strip = _known(state)
    why = truing_reason(strip, state.cut, state.raw_end, state.tolerance_mm)
    if why is None:
        return unit_line(strip, state.cut)
    return truing_line(strip, state.cut, margin_mm(state.source, state.raw_end), why)


def _cut_looked_for(state: Cutting, seen: Observation) -> Turn:
    """While a cut is in the light: has it been made, was the strip moved, is it still there?"""
    cloths = _sorted(state, seen)
    if isinstance(cloths.strip, NotTheStrip):
        return _strip_gone(state, cloths, seen)
    if cloths.strip.length_mm - _known(state).length_mm > LONGER_MM and not cloths.strip.cut_off:
        return _strip_found(state, cloths)
    if not _was_cut(state, cloths.strip):
        return _untouched_or_moved(state, cloths)
    return _trued(state, cloths) if state.phase is Phase.TRUE_END else _unit_cut(state, cloths)


def _strip_gone(state: Cutting, cloths: Sorted, seen: Observation) -> Turn:
    """The strip is not seen: its last unit was cut and the rest put away, or it was lifted or is covered."""
    unit = cloths.unit
    last = state.phase is Phase.CUT_UNIT and unit_line(_known(state), state.cut).units_left <= 1
    if last and unit is not None and unit.verdict in UNIT_LIKE:
        return _unit_judged(replace(state, strip=None, lying=cloths.lying), unit)
    touching = isinstance(seen, Seen) and any(cloth.unit.trouble == TOUCHING for cloth in seen.cloths)
    note = "slide what was cut clear of the strip" if touching else "lay the strip back as it was"
    lost = replace(state, line=None, lying=cloths.lying, note=note)
    if state.note == note:
        return Turn(lost)
    return Turn(lost, (_refused(state.source.kind, TOUCHING if touching else "hidden", note),))


def _untouched_or_moved(state: Cutting, cloths: Sorted) -> Turn:
    strip, old = _found(cloths), _known(state)
    here = replace(state, lying=cloths.lying)
    if state.line is not None and _is_still(old, strip):
        return Turn(here)
    again = _aimed(replace(here, strip=strip))
    return Turn(again.state) if state.line is not None else again  # the line follows, the request is the same


def _trued(state: Cutting, cloths: Sorted) -> Turn:
    return _aimed(replace(state, strip=_found(cloths), raw_end=False, lying=cloths.lying))


def _unit_cut(state: Cutting, cloths: Sorted) -> Turn:
    cut = replace(state, strip=_found(cloths), lying=cloths.lying)
    if cloths.unit is None:
        return _unit_wanted(cut, "missing", "lay the unit alone beside the strip")
    return _unit_judged(cut, cloths.unit)


def _unit_looked_for(state: Cutting, seen: Observation) -> Turn:
    """A unit was cut, but could not be measured where it lay."""
    cloths = _sorted(state, seen)
    strip = cloths.strip if isinstance(cloths.strip, FoundStrip) else state.strip
    here = replace(state, strip=strip, lying=cloths.lying)
    return Turn(here) if cloths.unit is None else _unit_judged(here, cloths.unit)


def _unit_judged(state: Cutting, unit: Judged) -> Turn:
    """Keep the unit, or say why it does not count."""
    if unit.verdict in (None, Verdict.LOOK_AGAIN):
        return _unit_wanted(state, unit.unit.trouble or "look_again", "slide the unit clear")
    if unit.verdict is Verdict.OTHER:
        told = _refused("unit", "other", "this is no unit of the plan, put it away")
        return _onward(state, told)
    record = Record(unit, state.unit.name, state.made[state.kind] + 1, state.cut.make)
    lying = tuple(
        Lying(known.outline_mat_mm, record) if known.outline_mat_mm is unit.unit.corners_mat_mm else known
        for known in state.lying
    )
    made = tuple(count + (kind == state.kind) for kind, count in enumerate(state.made))
    counted = _onward(replace(state, made=made, lying=lying, last=record))
    return replace(counted, records=(record,))


def _unit_wanted(state: Cutting, why: str, do: str) -> Turn:
    waiting = replace(state, phase=Phase.LAY_UNIT, line=None, note=do)
    if state.phase is Phase.LAY_UNIT and state.note == do:
        return Turn(waiting)
    return Turn(waiting, (_refused("unit", why, do), _ask(waiting, "unit", name=state.unit.name)))


def _onward(state: Cutting, *events: Event) -> Turn:
    """The next unit: from this strip, from the next one, of the next kind; or the end."""
    if _is_made(state.plan, state.made, state.kind):
        kind = _next_kind(state.plan, state.made, state.kind)
        return _finished(state) if kind is None else _strip_wanted(replace(state, kind=kind), *events)
    if state.strip is None or unit_line(state.strip, state.cut).units_left < 1:
        return _strip_wanted(state, *events, note="this strip gives no more")
    return _aimed(state, *events)


def _finished(state: Cutting) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, strip=None, line=None, note=""))


# Keys.


def _pressed(state: Cutting, seen: Observation) -> Turn:
    if not isinstance(seen, KeyPressed):
        raise ValueError("not a key")
    rule = KEYS.get((state.phase, MEANINGS.get(seen.key.replace(" ", "").lower(), "")))
    return rule(state, seen) if rule else Turn(state)


def _accept_end(state: Cutting, _: Observation) -> Turn:
    """The person says that the end will do as it is."""
    line = unit_line(_known(state), state.cut)
    ready = replace(state, phase=Phase.CUT_UNIT, raw_end=False, line=line, note="")
    return Turn(ready, (_ask(ready, "cut", purpose=line.purpose),))


def _without_unit(state: Cutting, _: Observation) -> Turn:
    """The person goes on without the unit that could not be measured; it does not count."""
    return _onward(state)


def _back_to_strip(state: Cutting, _: Observation) -> Turn:
    return _strip_wanted(state)


def _stop(state: Cutting, _: Observation) -> Turn:
    ended = _finished(state)
    return replace(ended, state=replace(ended.state, stopped=True))


MEANINGS = {
    "space": "on",
    "pagedown": "on",
    "b": "back",
    "pageup": "back",
    "q": "end",
    "escape": "end",
}

KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _mat_cleared,
    (Phase.TRUE_END, "on"): _accept_end,
    (Phase.LAY_UNIT, "on"): _without_unit,
    (Phase.TRUE_END, "back"): _back_to_strip,
    (Phase.CUT_UNIT, "back"): _back_to_strip,
    (Phase.LAY_UNIT, "back"): _back_to_strip,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_STRIP, Seen): _strip_looked_for,
    (Phase.TRUE_END, Seen): _cut_looked_for,
    (Phase.CUT_UNIT, Seen): _cut_looked_for,
    (Phase.LAY_UNIT, Seen): _unit_looked_for,
    **{(phase, KeyPressed): _pressed for phase in Phase if phase is not Phase.DONE},
}

IGNORED: frozenset[tuple[Phase, type]] = frozenset(
    {
        *((phase, HandSeen) for phase in Phase),  # the light stays; nothing is judged until all is still
        *((phase, MatCleared) for phase in Phase if phase is not Phase.CLEAR_MAT),
        (Phase.CLEAR_MAT, Seen),  # without a picture of the empty mat nothing is measured
        (Phase.DONE, Seen),
        (Phase.DONE, KeyPressed),
    }
)


# What the rules ask of the state.


def _sorted(state: Cutting, seen: Observation) -> Sorted:
    if not isinstance(seen, Seen):
        raise ValueError("not a measurement")
    return sort_cloths(state, seen.cloths)


def _found(cloths: Sorted) -> FoundStrip:
    if isinstance(cloths.strip, NotTheStrip):
        raise ValueError("no strip was found")
    return cloths.strip


def _known(state: Cutting) -> FoundStrip:
    if state.strip is None:
        raise ValueError("no strip lies on the mat")
    return state.strip


def _was_cut(state: Cutting, now: FoundStrip) -> bool:
    """Shorter by at least half of what the cut in the light takes off.

    Where the strip hangs over the mat's end its length is unknown, and the end must have moved instead.
    """
    before = _known(state)
    line = state.line or _next_line(state)
    due_mm = step_mm(state.cut) if line.purpose == "unit" else shrinks_by_mm(before, line)
    if before.cut_off or now.cut_off:
        shift = (before.end_middle_mat_mm - now.end_middle_mat_mm) @ before.along
        return abs(float(shift)) >= CUT_SHARE * due_mm
    return before.length_mm - now.length_mm >= CUT_SHARE * due_mm


def _is_still(before: FoundStrip, now: FoundStrip) -> bool:
    if before.outline_mat_mm.shape != now.outline_mat_mm.shape:
        return False
    return bool(abs(before.outline_mat_mm - now.outline_mat_mm).max() <= STILL_MM)


def _is_made(plan: Plan, made: tuple[int, ...], kind: int) -> bool:
    cut = plan.units[kind].cut
    return cut is None or made[kind] >= cut.make


def _next_kind(plan: Plan, made: tuple[int, ...], kind: int) -> int | None:
    return next((k for k in range(kind, len(plan.units)) if not _is_made(plan, made, k)), None)


def _ask(state: Cutting, what: str, **more: object) -> Event:
    """`n` of `of` counts all units of the plan."""
    n, of = min(sum(state.made) + 1, state.plan.wanted), state.plan.wanted
    return {"event": "ask", "what": what, "n": n, "of": of, "unit": state.unit.name, **more}


def _refused(what: str, why: str, do: str) -> Event:
    return {"event": "refused", "what": what, "why": why, "do": do}
