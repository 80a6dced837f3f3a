"""The guided cut as a table: what each observation means in each phase.

`step` never waits, draws, measures or reads a clock. Every pair of a phase and an observation is either in
`RULES` or in `IGNORED`; keys have a table of their own, `KEYS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from projector.guide import tables
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.tables import by_key, ignored, turn_by
from projector.guide.units.blade import NEW_HAND, Blade
from projector.guide.units.judging import learned, trim_seen, unit_judged, unit_wanted
from projector.guide.units.keys import KEYS as KEYS
from projector.guide.units.layout import FoundStrip, NotTheStrip, shrinks_by_mm, step_mm
from projector.guide.units.onecut import beside_at_strip_mm
from projector.guide.units.onward import (
    aimed,
    ask,
    finished,
    known,
    next_kind,
    next_line,
    refused,
    strip_wanted,
    units_left,
)
from projector.guide.units.sorting import UNIT_LIKE, Sorted, sort_cloths
from projector.guide.units.stage import scene_of
from projector.guide.units.state import (
    Cutting,
    Event,
    Kept,
    KeyPressed,
    Lying,
    MatCleared,
    Observation,
    Phase,
    Seen,
    Step,
    Turn,
)
from projector.guide.units.truing import tilt_of
from projector.guide.units.whichside import with_sides_told
from projector.guide.untouched import is_untouched
from projector.piecing.plans import Plan

CUT_SHARE = 0.5  # of the shortening that a cut should bring: from here on it was made
TOUCHING = "touching"
LONGER_MM = 5.0  # a strip that has grown by more is another strip

Rule = tables.Rule[Cutting]


def begin(
    plan: Plan,
    area_mat_mm: tuple[Point, ...],
    kept: tuple[Kept, ...] = (),
    sitting: Sitting = USUAL,
    blade: Blade = NEW_HAND,
) -> Step:
    """Start a plan, or go on with it where `kept` are the judgements that stand, the latest last.

    `area_mat_mm` is the polygon of the mat that light reaches, `blade` what was learned of the hand before. Raises
    ValueError if there is nothing to cut.
    """
    if not plan.wanted:
        raise ValueError("the plan has no unit that is cut from a strip")
    first = Cutting(plan, area_mat_mm, kept, sitting=sitting, blade=blade)
    kind = next_kind(first, 0)
    if kind is None:
        return finished(first).drawn(scene_of)
    first = replace(first, kind=kind)
    return Turn(first, (ask(first, "clear_mat"),)).drawn(scene_of)


def kept_of(made: Sequence[int]) -> tuple[Kept, ...]:
    """So many judgements of each kind of the plan, all of which count."""
    return tuple(Kept(kind) for kind, count in enumerate(made) for _ in range(count))


def step(state: Cutting, seen: Observation) -> Step:
    """One turn of the guided cut: the next state, what to show, what to tell, what to keep."""
    seen = with_sides_told(state, seen) if isinstance(seen, Seen) else seen
    return turn_by(RULES, state, seen).drawn(scene_of)


# From one phase to the next.


def _mat_cleared(state: Cutting, seen: Observation) -> Turn:
    light = seen.light if isinstance(seen, MatCleared) else None
    return strip_wanted(replace(state, sitting=state.sitting.under(light)))


def _strip_looked_for(state: Cutting, seen: Observation) -> Turn:
    cloths = _sorted(state, seen)
    if isinstance(cloths.strip, NotTheStrip):
        return _not_the_strip(state, cloths, cloths.lying, cloths.strip.why)
    if units_left(state, cloths.strip) < 1 and not cloths.strip.cut_off:
        lying = (*cloths.lying, Lying(cloths.strip.outline_mat_mm))
        return _not_the_strip(state, cloths, lying, "too short for a unit, lay the next one")
    return _strip_found(state, cloths)


def _not_the_strip(state: Cutting, cloths: Sorted, lying: tuple[Lying, ...], why: str) -> Turn:
    """Say what is wrong with cloth that was laid down; of what lay there before nothing is said."""
    if not cloths.news:
        return Turn(replace(state, lying=lying))
    return Turn(replace(state, lying=lying, note=why), (refused(state.source.kind, "other", why),))


def _strip_found(state: Cutting, cloths: Sorted) -> Turn:
    strip = _found(cloths)
    seen: Event = {
        "event": "seen",
        "what": state.source.kind,
        "name": state.source.name,
        "width_mm": strip.width_mm,
        "length_mm": strip.length_mm,
    }
    return aimed(replace(state, strip=strip, raw_end=True, end_will_do=False, lying=cloths.lying), seen)


def _turn_looked_for(state: Cutting, seen: Observation) -> Turn:
    """The strip is to be turned: it is aimed at anew however it lies, and asked for again if that is no better."""
    cloths = _sorted(state, seen)
    if isinstance(cloths.strip, NotTheStrip):
        return Turn(replace(state, lying=cloths.lying))
    return aimed(replace(state, strip=cloths.strip, lying=cloths.lying))


def _cut_looked_for(state: Cutting, seen: Observation) -> Turn:
    """While a cut is in the light: has it been made, was the strip moved, is it still there?"""
    cloths = _sorted(state, seen)
    if isinstance(cloths.strip, NotTheStrip):
        return _strip_gone(state, cloths, seen)
    if cloths.strip.length_mm - known(state).length_mm > LONGER_MM and not cloths.strip.cut_off:
        return _strip_found(state, cloths)
    if not _was_cut(state, cloths.strip):
        return _untouched_or_moved(state, cloths)
    return _trued(state, cloths) if state.phase is Phase.TRUE_END else _unit_cut(state, cloths)


def _strip_gone(state: Cutting, cloths: Sorted, seen: Observation) -> Turn:
    """The strip is not seen: its last unit was cut and the rest put away, or it was lifted or is covered."""
    unit = cloths.unit
    last = state.phase is Phase.CUT_UNIT and units_left(state, known(state)) <= 1
    if last and unit is not None and unit.verdict in UNIT_LIKE:
        return unit_judged(replace(state, strip=None, lying=cloths.lying), unit)
    touching = isinstance(seen, Seen) and any(cloth.unit.trouble == TOUCHING for cloth in seen.cloths)
    note = "slide what was cut clear of the strip" if touching else "lay the strip back as it was"
    lost = replace(state, line=None, lying=cloths.lying, note=note)
    if state.note == note:
        return Turn(lost)
    return Turn(lost, (refused(state.source.kind, TOUCHING if touching else "hidden", note),))


def _untouched_or_moved(state: Cutting, cloths: Sorted) -> Turn:
    strip, old = _found(cloths), known(state)
    here = replace(state, lying=cloths.lying)
    if state.line is not None and is_untouched(old.outline_mat_mm, strip.outline_mat_mm):
        return Turn(here)
    if state.line is None:
        return aimed(replace(here, strip=strip))
    again = aimed(replace(here, strip=strip), note=state.note)
    # The line follows; where the request is the same, it is not made again.
    return Turn(again.state) if again.state.phase is state.phase else again


def _trued(state: Cutting, cloths: Sorted) -> Turn:
    cut, _ = _cut_through(state, cloths)
    return aimed(replace(cut, raw_end=False, true_for=""))


def _unit_cut(state: Cutting, cloths: Sorted) -> Turn:
    cut, beside_mm = _cut_through(state, cloths)
    if cloths.unit is None:
        return unit_wanted(cut, "missing", "lay the unit alone beside the strip")
    return unit_judged(cut, cloths.unit, beside_mm)


def _cut_through(state: Cutting, cloths: Sorted) -> tuple[Cutting, float | None]:
    """The strip as it is after a cut, what the cut told of the hand, and how far it ran beside its line."""
    before, after = known(state), _found(cloths)
    if state.offered:  # who cuts on without an answer wants no shift
        state = replace(state, blade=state.blade.declined(), offered=False)
    beside_mm = None if state.line is None else beside_at_strip_mm(before, state.line, after, state.cut)
    told = learned(state, beside_mm, tilt_of(after, state.cut))
    return replace(told, strip=after, end_will_do=False, lying=cloths.lying), beside_mm


def _unit_looked_for(state: Cutting, seen: Observation) -> Turn:
    """A unit was cut, but could not be measured where it lay."""
    cloths = _sorted(state, seen)
    strip = cloths.strip if isinstance(cloths.strip, FoundStrip) else state.strip
    here = replace(state, strip=strip, lying=cloths.lying)
    return Turn(here) if cloths.unit is None else unit_judged(here, cloths.unit)


def _trim_looked_for(state: Cutting, seen: Observation) -> Turn:
    """A unit that is too large is to be trimmed where it lies."""
    cloths = _sorted(state, seen)
    strip = cloths.strip if isinstance(cloths.strip, FoundStrip) else state.strip
    return trim_seen(replace(state, strip=strip, lying=cloths.lying), seen.cloths if isinstance(seen, Seen) else ())


RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_STRIP, Seen): _strip_looked_for,
    (Phase.TURN_CLOTH, Seen): _turn_looked_for,
    (Phase.TRUE_END, Seen): _cut_looked_for,
    (Phase.CUT_UNIT, Seen): _cut_looked_for,
    (Phase.TRIM_UNIT, Seen): _trim_looked_for,
    (Phase.LAY_UNIT, Seen): _unit_looked_for,
    **{(phase, KeyPressed): by_key(KEYS) for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, Seen)


# What the rules ask of the state.


def _sorted(state: Cutting, seen: Observation) -> Sorted:
    if not isinstance(seen, Seen):
        raise ValueError("not a measurement")
    return sort_cloths(state, seen.cloths)


def _found(cloths: Sorted) -> FoundStrip:
    if isinstance(cloths.strip, NotTheStrip):
        raise ValueError("no strip was found")
    return cloths.strip


def _was_cut(state: Cutting, now: FoundStrip) -> bool:
    """Shorter by at least half of what the cut in the light takes off.

    Where the strip hangs over the mat's end its length is unknown, and the end must have moved instead.
    """
    before = known(state)
    line = state.line or next_line(state)
    due_mm = step_mm(state.cut) if line.purpose == "unit" else shrinks_by_mm(before, line)
    if before.cut_off or now.cut_off:
        shift = (before.end_middle_mat_mm - now.end_middle_mat_mm) @ before.along
        return abs(float(shift)) >= CUT_SHARE * due_mm
    return before.length_mm - now.length_mm >= CUT_SHARE * due_mm
