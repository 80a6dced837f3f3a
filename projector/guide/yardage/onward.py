"""From one phase to the next while strips are cut from yardage: which line comes next, which cloth, or the end."""

from __future__ import annotations

from dataclasses import replace

from projector.guide.units.layout import FoundStrip
from projector.guide.units.truing import MARGIN_MM
from projector.guide.yardage.layout import lies_in, off_square, room_mm, squaring_line, strip_line, truing_reason
from projector.guide.yardage.state import Phase, Striping, Turn
from projector.guide.yardage.telling import ask_for_cloth, ask_for_strip, ask_to_pull, ask_to_square


def cloth_wanted(state: Striping, note: str = "") -> Turn:
    fresh = replace(state, cloth=None, raw_end=True, end_will_do=False, takes_any=False, outer=None, inner=None)
    waiting = replace(fresh, phase=Phase.LAY_CLOTH, line=None, note=note)
    return Turn(waiting, (ask_for_cloth(waiting),))


def aimed(state: Striping) -> Turn:
    """Lay the next line on the cloth: square to the fold where the end needs it, else a strip's."""
    found = known(state)
    why = truing_reason(found, state.raw_end, state.plan.angle_tolerance_rad, state.chapter.layers)
    if why is not None and not state.end_will_do:
        return squaring(state, why)
    return strip_aimed(state)


def squaring(state: Striping, why: str) -> Turn:
    found = known(state)
    margin_mm = state.due.margin_mm if state.raw_end else MARGIN_MM
    line = squaring_line(found, margin_mm, why, gives(state, found, margin_mm))
    if not lies_in(line, state.area_mat_mm):
        return more_wanted(state)
    ready = replace(state, phase=Phase.SQUARE_END, line=line, note="")
    return Turn(ready, (ask_to_square(ready, found, why),))


def strip_aimed(state: Striping) -> Turn:
    found = known(state)
    line = strip_line(found, state.due.width_mm, gives(state, found, 0.0))
    if not lies_in(line, state.area_mat_mm):
        return more_wanted(state)
    ready = replace(state, phase=Phase.CUT_STRIP, line=line, note="", outer=off_square(found), inner=None)
    return Turn(ready, (ask_for_strip(ready),))


def more_wanted(state: Striping) -> Turn:
    """Of what hangs over the mat's end more is to be pulled onto it; the end stays as it is."""
    waiting = replace(state, phase=Phase.PULL_CLOTH, line=None, note="")
    return Turn(waiting, () if state.phase is Phase.PULL_CLOTH else (ask_to_pull(waiting),))


def onward(state: Striping) -> Turn:
    """The next strip: from this cloth or from more of it; or the end."""
    if state.is_made:
        return finished(state)
    if state.cloth is None or (gives(state, state.cloth, 0.0) < 1 and not state.cloth.cut_off):
        return cloth_wanted(state, note="this cloth gives no more")
    return aimed(state)


def finished(state: Striping) -> Turn:
    rest = () if state.cloth is None else (state.cloth.outline_mat_mm,)  # words keep off what lies there
    return Turn(replace(state, phase=Phase.DONE, cloth=None, lying=state.lying + rest, line=None, note=""))


def known(state: Striping) -> FoundStrip:
    if state.cloth is None:
        raise ValueError("no cloth lies on the mat")
    return state.cloth


def gives(state: Striping, found: FoundStrip, margin_mm: float) -> int:
    """How many strips of the plan the cloth gives yet, in the order in which they are due."""
    left_mm, gives = room_mm(found) - margin_mm, 0
    for made, due in zip(state.made, state.chapter.due, strict=True):
        for _ in range(made, due.count, state.at_once):
            left_mm -= due.width_mm
            if left_mm < 0.0:
                return gives
            gives += state.at_once
    return gives
