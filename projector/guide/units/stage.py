"""The scenes of the guided cut: what stands in the light in each phase, in millimetres of the mat.

Nothing but the cut line lies on cloth. The cautions about the blade come first and stand in every scene that
shows a cut; where the cloth leaves no room at all they are written over it rather than left out.
"""

from __future__ import annotations

import re

from shapely import Polygon

from projector.guide.scene.marks import Side
from projector.guide.scene.page import Page, title
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Point, Scene
from projector.guide.units.layout import CutLine, Floats
from projector.guide.units.onward import offer_words
from projector.guide.units.state import Cutting, Phase, Record
from projector.guide.units.verdicts import verdict_rows, verdict_sign
from projector.piecing.lengths import length_text
from projector.piecing.plans import Hand

FIRST_CUT = (
    "set the ruler's edge by the light on the cloth",
    "cut, then slide the unit aside",
)
LONGEST = 44  # letters of a row that still fits a mat of 18 in
ON_TOP = "the dashes lie along the ruler's top"


def scene_of(state: Cutting) -> Scene:
    """What the light shows while the guided cut waits in this state."""
    page = Page.of(state.area_mat_mm, _cloths(state), state.sitting)
    line = state.line
    if line is not None:
        page = page.cutting(line.cloth_mat_mm, line.shown_mat_mm, line.keep, line.ruler)
    page = page.written(_rows(state), _middle(state) if line is None else _point(line.cloth_mat_mm[1]))
    return _with_verdict(state, page).scene(state.phase.value)


def ruler_side(hand: Hand) -> Side:
    """Where the ruler lies, seen along a cut away from the person: the other hand holds it."""
    return "left" if hand == "right" else "right"


def _cloths(state: Cutting) -> list[Floats]:
    outlines = [lying.outline_mat_mm for lying in state.lying]
    if state.strip is not None and state.phase is not Phase.LAY_STRIP:
        outlines.append(state.strip.outline_mat_mm)
    return outlines


def _rows(state: Cutting) -> list[Row]:
    note = title(*clauses(state.note)) if state.note else []
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.LAY_STRIP:
            return [*_lay_rows(state), *note]
        case Phase.TRUE_END | Phase.CUT_UNIT if state.line is not None:
            return [*_cut_rows(state, state.line), *note]
        case Phase.TRIM_UNIT if state.line is not None:
            return [*title("trim this unit", "space keeps it as it is, b leaves it out"), *note]
        case Phase.DONE:
            return title(_end_words(state))
        case _:
            return note


def clauses(text: str) -> tuple[str, ...]:
    """A sentence in rows that fit a small mat: parted where it pauses, at commas only where it is long.

    >>> clauses("turn the unit; the cut would run toward you")
    ('turn the unit', 'the cut would run toward you')
    """
    parts = re.split("[:;] ", text)
    return tuple(row for part in parts for row in (part.split(", ") if len(part) > LONGEST else [part]))


def _lay_rows(state: Cutting) -> list[Row]:
    strip = state.source
    kind = strip.kind.replace("_", " ")
    wide, long = (length_text(value, state.plan.metric) for value in (strip.width_mm, strip.length_mm))
    size = f"{wide} wide, {long} long"
    return title(f"lay the {kind} across: {strip.name}", size)


def _cut_rows(state: Cutting, line: CutLine) -> list[Row]:
    gives = f"this strip gives {line.units_left}"
    offer = clauses(offer_words(state)) if state.offered else ()
    on_top = ON_TOP if state.sitting.ruler_mm is not None else ""
    if line.purpose == "true_up":
        why = clauses(line.why)
        return title(*why, *offer, gives, FIRST_CUT[0] if not sum(state.made) else "", on_top)
    done = state.made[state.kind]
    due = next_strip_text(done, line.units_left, state.cut.make)
    return title(f"{done + 1} of {state.cut.make}, {gives}", *offer, due, *(() if done else (*FIRST_CUT, on_top)))


def next_strip_text(done: int, gives: int, make: int) -> str:
    """When the next strip is due; nothing where this one is enough.

    >>> next_strip_text(4, 5, 12), next_strip_text(4, 8, 12)
    ('next strip after 9 of 12', '')
    """
    return f"next strip after {done + gives} of {make}" if done + gives < make else ""


def _end_words(state: Cutting) -> str:
    if state.stopped:
        return f"stopped, {sum(state.made)} of {state.plan.wanted} units are cut"
    return f"all {sum(state.made)} units are cut"


def _with_verdict(state: Cutting, page: Page) -> Page:
    """Words and sign beside the last judged unit, as long as it lies on the mat."""
    beside = next((lying for lying in state.lying if _is_last(state, lying.record)), None)
    if beside is None or state.last is None or state.last.judged.verdict is None:
        return page
    planned = state.plan.unit(state.last.unit_name).cut
    rows = verdict_rows(state.last.judged, planned.width_mm if planned else 0.0)
    sign = verdict_sign(state.last.judged.verdict)
    return page.signed(rows, sign, _point(beside.outline_mat_mm.mean(axis=0)))


def _is_last(state: Cutting, record: Record | None) -> bool:
    return record is not None and record is state.last


def _middle(state: Cutting) -> Point:
    if state.strip is not None and state.phase in (Phase.TRUE_END, Phase.CUT_UNIT, Phase.LAY_UNIT):
        return _point(state.strip.end_middle_mat_mm)
    centre = Polygon(state.area_mat_mm).centroid
    return centre.x, centre.y


def _point(place: Floats) -> Point:
    return float(place[0]), float(place[1])
