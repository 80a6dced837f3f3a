"""The seam check on the first strip set, as a table: laid down, measured, told; on when the person has read it.

`step` never waits, draws, measures or reads a clock. Every pair of a phase and an observation is either in `RULES` or
in `IGNORED`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps, tables
from projector.guide.looks import KeyPressed, MatCleared, Observation, StripsSeen
from projector.guide.scene.scenes import Point
from projector.guide.setcheck.stage import scene_of
from projector.guide.setcheck.state import Phase, SetCheck, StripsFrom, first_set
from projector.guide.sitting import USUAL, Sitting
from projector.guide.tables import by_key, ignored, turn_by
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.foretelling import foretold, made_of
from projector.piecing.foresight.seamtest import Length, SeamTest, seam_test
from projector.piecing.plans import Plan, Strip
from vision.comparing.expected import ExpectedStrip
from vision.strips.measure import MeasuredStrip, StripLine
from vision.strips.outline import WIDTH_MATCH_MM
from vision.strips.verdict import judge_strip

Floats = NDArray[np.float64]
Step = steps.Step[SetCheck]

ASSUMED_U_MM = (
    25.4 / 64
)  # of a strip's width that nobody measured: as cut by a careful hand (common practice, no source)
MOVED_MM = 3.0  # a set that moved farther was taken up: what was said of it has been read


Turn = steps.Turn[SetCheck]


Rule = tables.Rule[SetCheck]


def begin(
    plan: Plan,
    area_mat_mm: tuple[Point, ...],
    strips: Sequence[Length] = (),
    strips_from: StripsFrom = "plan",
    is_over: bool = False,
    sitting: Sitting = USUAL,
) -> Step:
    """Start with the plan's first strip set.

    `strips` are its strips' widths before they were sewn, from the lower edge up, and where they are known from;
    without any they are taken as the plan has them, in doubt by `ASSUMED_U_MM`. Where it `is_over` there is nothing
    to do. Raises ValueError where the plan has no strip set of which it knows the strips.
    """
    source = first_set(plan)
    if source is None:
        raise ValueError("the plan has no strip set of which it knows the strips")
    if len(strips) != len(source.bands_mm):
        strips, strips_from = [Length(band, ASSUMED_U_MM) for band in source.bands_mm], "plan"
    first = SetCheck(plan, area_mat_mm, source, tuple(strips), strips_from, sitting=sitting)
    return (_on(first, MatCleared()) if is_over else Turn(first, (_ask(first, "clear_mat"),))).drawn(scene_of)


def step(state: SetCheck, seen: Observation) -> Step:
    """One turn of the chapter: the next state, what to show, what to tell, what to keep."""
    return turn_by(RULES, state, seen).drawn(scene_of)


def _mat_cleared(state: SetCheck, _: Observation) -> Turn:
    waiting = replace(state, phase=Phase.LAY_SET)
    return Turn(waiting, (_ask(waiting, "strip_set"),))


def _set_looked_for(state: SetCheck, seen: Observation) -> Turn:
    strip = found_set(_strips(seen), state.source)
    if strip is None:
        widths = [one.width_mm for one in _strips(seen)]
        return _refused(state, "other", f"this is not {state.source.name}") if widths else Turn(state)
    if strip.trouble is not None:
        judged = judge_strip(strip, (_expected(state),))
        return _refused(state, strip.trouble, judged.why)
    return _told(state, strip)


def _told(state: SetCheck, strip: MeasuredStrip) -> Turn:
    """Keep what was found, then say it."""
    test = test_of(strip, state.source, state.strips, state.plan.seam_allowance_mm)
    sizes = block_sizes(state.plan, test)
    judged = judge_strip(strip, (_expected(state),))
    record = steps.SetRecord(judged, state.source.name, test, state.strips_from, sizes)
    told = replace(state, phase=Phase.TOLD, strip=strip, test=test, sizes=sizes, note="")
    return Turn(told, (_ask(told, "confirm"),), (record,))


def _read(state: SetCheck, seen: Observation) -> Turn:
    """Once the set is taken up, what was said of it has been read."""
    strip = found_set(_strips(seen), state.source)
    if strip is None or state.strip is None or _moved_mm(state.strip, strip) > MOVED_MM:
        return _on(state, seen)
    return Turn(state)


def _on(state: SetCheck, _: Observation) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, note=""))


def _again(state: SetCheck, _: Observation) -> Turn:
    """Another set, or the same once more: what was found before is forgotten, but kept."""
    waiting = replace(state, phase=Phase.LAY_SET, strip=None, test=None, sizes=())
    return Turn(waiting, (_ask(waiting, "strip_set"),))


def _stop(state: SetCheck, _: Observation) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _mat_cleared,
    (Phase.LAY_SET, "on"): _on,  # without a check
    (Phase.TOLD, "on"): _on,
    (Phase.TOLD, "back"): _again,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _mat_cleared,
    (Phase.LAY_SET, StripsSeen): _set_looked_for,
    (Phase.TOLD, StripsSeen): _read,
    **{(phase, KeyPressed): by_key(KEYS) for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, StripsSeen)


# What is measured, and what it means.


def found_set(strips: Sequence[MeasuredStrip], source: Strip) -> MeasuredStrip | None:
    """The longest strip about as wide as the set, of those with as many seams if any has; None if there is none.

    A set is far off its width only if its seams are: by as much as another strip would be, it is another strip.
    """
    near_mm = WIDTH_MATCH_MM
    wide = [strip for strip in strips if abs(strip.width_mm - source.width_mm) <= near_mm and strip.seams]
    sewn = [strip for strip in wide if len(strip.seams) == len(source.seams_mm)]
    return max(sewn or wide, key=lambda strip: math.dist(*strip.long_sides[0].ends_mat_mm), default=None)


def test_of(strip: MeasuredStrip, source: Strip, strips: Sequence[Length], planned_mm: float) -> SeamTest:
    """The seam test from a measured set; `strips` from the plan's lower edge up, whichever way the set lies."""
    sewn = Length(strip.width_mm, strip.width_u_mm)
    seams = [Length(_across_mm(strip.long_sides[0], seam), seam.u_mm) for seam in strip.seams]
    if len(seams) == len(source.seams_mm):
        turned = [Length(strip.width_mm - seam.mm, seam.u_mm) for seam in reversed(seams)]
        off, off_turned = (
            sum(abs(seam.mm - planned) for seam, planned in zip(places, source.seams_mm, strict=True))
            for places in (seams, turned)
        )
        seams = turned if off_turned < off else seams
    return seam_test(strips, sewn, planned_mm, seams)


def block_sizes(plan: Plan, test: SeamTest) -> tuple[Size, ...]:
    """What the sides of the block will measure with such seams; nothing without a block."""
    if plan.making is None:
        return ()
    made = made_of(plan, plan.making)
    return foretold(made, (), test.errors).sizes[: len(made.stages.corner_nodes())]


def _across_mm(side: StripLine, seam: StripLine) -> float:
    """How far a seam's middle lies from a long side's line."""
    start, end = side.ends_mat_mm
    run, off = end - start, seam.ends_mat_mm.mean(axis=0) - start
    return abs(float(run[0] * off[1] - run[1] * off[0])) / float(np.hypot(*run))


def _moved_mm(before: MeasuredStrip, now: MeasuredStrip) -> float:
    """How far the set's middle moved."""
    middles = [np.mean([line.ends_mat_mm for line in strip.long_sides], axis=(0, 1)) for strip in (before, now)]
    return float(np.hypot(*(middles[1] - middles[0])))


def _strips(seen: Observation) -> tuple[MeasuredStrip, ...]:
    if not isinstance(seen, StripsSeen):
        raise ValueError("not a measurement")
    return seen.strips


def _expected(state: SetCheck) -> ExpectedStrip:
    return state.expected


def _refused(state: SetCheck, why: str, do: str) -> Turn:
    """Say once what is wrong."""
    if state.note == do:
        return Turn(state)
    return Turn(replace(state, note=do), ({"event": "refused", "what": "strip_set", "why": why, "do": do},))


def _ask(state: SetCheck, what: str) -> steps.Event:
    return {"event": "ask", "what": what, "n": 1, "of": 1, "name": state.source.name, "purpose": "seam_check"}
