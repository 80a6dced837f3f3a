"""What comes next in the guided cut, whatever led there: the next line, the next strip, the next kind, the end."""

from __future__ import annotations

import math
from dataclasses import replace

from projector.guide.turning import turn_reason
from projector.guide.units.drift import drift_of
from projector.guide.units.layout import CutLine, FoundStrip, inward, unit_line
from projector.guide.units.state import Cutting, Event, Lying, Phase, Turn
from projector.guide.units.truing import margin_mm, truing_line, truing_reason
from projector.piecing.lengths import inches_text, mm_text

FINEST_MM, FINEST_RAD = 0.05, 0.0005  # cuts are measured to about that, and do not scatter less
NO_MORE = "this strip gives no more"


def ask(state: Cutting, what: str, **more: object) -> Event:
    """`n` of `of` counts all units of the plan."""
    n, of = min(sum(state.made) + 1, state.plan.wanted), state.plan.wanted
    return {"event": "ask", "what": what, "n": n, "of": of, "unit": state.unit.name, **more}


def refused(what: str, why: str, do: str) -> Event:
    return {"event": "refused", "what": what, "why": why, "do": do}


def known(state: Cutting) -> FoundStrip:
    """The strip on the mat. Raises ValueError without one."""
    if state.strip is None:
        raise ValueError("no strip lies on the mat")
    return state.strip


def is_made(state: Cutting, kind: int) -> bool:
    """Whether nothing of a kind is left to cut."""
    cut = state.plan.units[kind].cut
    return cut is None or state.made[kind] >= cut.make


def next_kind(state: Cutting, first: int) -> int | None:
    """The first kind from there on of which something is left to cut."""
    return next((kind for kind in range(first, len(state.plan.units)) if not is_made(state, kind)), None)


def onward(state: Cutting, *events: Event, note: str = "") -> Turn:
    """The next unit: from this strip, from the next one, of the next kind; or the end."""
    if is_made(state, state.kind):
        kind = next_kind(state, 0)
        return finished(state) if kind is None else strip_wanted(replace(state, kind=kind), *events, note=note)
    if state.strip is None or units_left(state, state.strip) < 1:
        return strip_wanted(state, *events, note="; ".join(part for part in (note, NO_MORE) if part))
    return aimed(state, *events, note=note)


def strip_wanted(state: Cutting, *events: Event, note: str = "") -> Turn:
    """Ask for a strip; what was cut of the one before stays known as lying there."""
    waiting = replace(
        state,
        phase=Phase.LAY_STRIP,
        strip=None,
        raw_end=True,
        line=None,
        lying=_all_lying(state),
        note=note,
        true_for="",
        end_will_do=False,
        as_it_lies=False,
        offered=False,
    )
    return Turn(waiting, (*events, ask(waiting, state.source.kind, name=state.source.name)))


def aimed(state: Cutting, *events: Event, note: str = "") -> Turn:
    """Lay the next line on the strip: a truing cut where the end needs one, else a unit's.

    Where the cut would not run away from the person, the strip is to be turned first. Where the blade is surely known
    to run beside the line, a shift is offered before the cut is asked for; the line stands there all the same.
    """
    line = next_line(state)
    turn = (
        None
        if state.as_it_lies or state.sitting.stand != "near"
        else turn_reason(line, state.source.kind.replace("_", " "))
    )
    if turn is not None:
        waiting = replace(state, phase=Phase.TURN_CLOTH, line=None, note=turn)
        same = state.phase is Phase.TURN_CLOTH and state.note == turn
        return Turn(waiting, events if same else (*events, ask(waiting, "turn_cloth", do=turn)))
    phase = Phase.TRUE_END if line.purpose == "true_up" else Phase.CUT_UNIT
    offer = state.blade.offer
    ready = replace(state, phase=phase, line=line, note=note, offered=offer is not None)
    if offer is not None:
        told = {"why": "blade", "offset_mm": round(offer.mm, 4), "u_mm": round(offer.u_mm, 4), "cuts": offer.cuts}
        return Turn(ready, (*events, ask(ready, "confirm", do=offer_words(ready), **told)))
    return Turn(ready, (*events, ask(ready, "cut", purpose=line.purpose)))


def next_line(state: Cutting) -> CutLine:
    """Where the strip is to be cut next, for this hand's blade."""
    strip, cut, truing = known(state), state.cut, state.sitting.truing
    why = state.true_for or truing_reason(strip, cut, state.raw_end, state.tolerance_mm, truing, state.plan.metric)
    if why and not state.end_will_do:
        line = truing_line(strip, cut, margin_mm(state.source, state.raw_end, truing), why, truing.selvage_mm)
    else:
        line = unit_line(strip, cut, truing.selvage_mm)
    # Moved toward the ruler, which lies on the strip, so that the cut comes where the line was.
    return line.moved(state.blade.shift_mm / (strip.along @ inward(strip, cut)) * strip.along)


def units_left(state: Cutting, strip: FoundStrip) -> int:
    """Units that a strip gives from its end as it is."""
    return unit_line(strip, state.cut, state.sitting.truing.selvage_mm).units_left


def finished(state: Cutting) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, strip=None, line=None, lying=_all_lying(state), note=""))


def _all_lying(state: Cutting) -> tuple[Lying, ...]:
    """What lies on the mat, the rest of the strip too: words keep off it."""
    return state.lying if state.strip is None else (*state.lying, Lying(state.strip.outline_mat_mm))


def offer_words(state: Cutting) -> str:
    """What was learned of the blade, and what the person can say to it; "" where no shift is offered."""
    offer = state.blade.offer
    if offer is None:
        return ""
    beside = "beside the ruler" if offer.mm > 0.0 else "under the ruler's edge"
    return f"the blade runs {mm_text(abs(offer.mm))} {beside}: space shifts the line, b leaves it"


def creep_reason(state: Cutting) -> str:
    """Why the ruler should be set anew: widths or angles creep from cut to cut; "" where they do not."""
    turned = drift_of([tilt for _, tilt in state.watched], FINEST_RAD)
    if turned is not None:
        return f"the angle creeps by {math.degrees(abs(turned.per_cut)):.2f} deg a cut, true the end"
    moved = drift_of([beside for beside, _ in state.watched if beside is not None], FINEST_MM)
    if moved is not None:
        creep = mm_text(abs(moved.per_cut), 2) if state.plan.metric else inches_text(abs(moved.per_cut), 128)
        return f"widths creep by {creep} a cut, set the ruler anew and true the end"
    return ""
