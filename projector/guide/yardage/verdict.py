"""What is kept of a strip that was cut from yardage: its width beside the plan's, and its bend at the fold."""

from __future__ import annotations

from projector.guide.steps import StripRecord
from projector.guide.yardage.layout import bend_of_sides, bend_of_strip
from projector.guide.yardage.state import Striping
from vision.strips.measure import MeasuredStrip
from vision.strips.verdict import judge_strip


def judged_strip(state: Striping, strip: MeasuredStrip) -> StripRecord:
    """The record of a strip just cut.

    The bend is told by the cloth's fold, which is longer than the strip's own end at it; where the cloth is not seen,
    by the strip alone.
    """
    bend = None
    if state.chapter.layers > 1:
        if state.inner is not None and state.outer is not None:
            bend = bend_of_sides(state.outer, state.inner)
        elif state.cloth is not None:
            bend = bend_of_strip(strip, state.cloth.width_mm)
    due = state.due
    return StripRecord(
        judged=judge_strip(strip, [state.expected]),
        name=f"{state.chapter.fabric} for {due.strip}",
        fabric=state.chapter.fabric,
        strip_name=due.strip,
        band=due.band,
        band_mm=due.width_mm,
        n=state.n,
        of=state.wanted,
        layers=state.chapter.layers,
        at_once=state.at_once,
        bend_rad=None if bend is None else bend.rad,
        bend_u_rad=None if bend is None else bend.u_rad,
    )
