"""The scenes of sewn units: what stands in the light in each phase, in millimetres of the mat.

Dots and the press arrow lie on the cloth, for it is the cloth that they mark; all else keeps clear of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from projector.guide.scene.marks import THIN_MM, arrow, dot, path
from projector.guide.scene.page import Page, title
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink, Mark, Point, Scene, Stroke
from projector.guide.sewn.place import LaidUnit
from projector.guide.sewn.state import Phase, Sewn, sewn_kinds, wanted_count
from projector.guide.sewn.trims import dots, press_arrow
from projector.guide.units.stage import ruler_side
from projector.guide.units.verdicts import verdict_rows, verdict_sign
from projector.piecing.lengths import length_text

Floats = NDArray[np.float64]

DOT_MM = 2.0  # radius of a dot on the cloth
ARROW_MM, ARROW_WIDTH_MM = 24.0, 2.0


def scene_of(state: Sewn) -> Scene:
    """What the light shows while the chapter waits in this state."""
    page = Page.of(state.area_mat_mm, _cloths(state), state.sitting)
    if state.line is not None:
        line = state.line
        page = page.cutting(line.cloth_mat_mm, line.shown_mat_mm, line.keep, ruler_side(state.plan.hand))
        return page.written(_rows(state), _point(line.cloth_mat_mm[1])).scene(state.phase.value)
    if state.phase is Phase.MARK and state.laid is not None and state.last is not None:
        page = page.drawn(*_marks(state, state.laid))
        verdict = state.last.judged.verdict
        near = _point(state.laid.corners_mat_mm.mean(axis=0))
        if verdict is not None:
            page = page.signed(verdict_rows(state.last.judged, 0.0), verdict_sign(verdict), near)
        return page.written(_rows(state), near).scene(state.phase.value)
    return page.written(_rows(state), _middle(state)).scene(state.phase.value)


def _rows(state: Sewn) -> list[Row]:
    note = title(state.note)[:1] if state.note else []
    count = f"{state.unit.name}, {state.number} of {state.wanted}"
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.LAY_SEWN:
            return [*title(f"lay down {count}", *_sewing(state)), *note]
        case Phase.TRIM if state.line is not None:
            cut = f"trim {length_text(max(state.line.depth_mm, 0.4), state.plan.metric, 64)} off this side"
            return [*title(cut, count), *note]
        case Phase.MARK:
            return [*_mark_rows(state), *note]
        case Phase.DONE:
            return title(_end_words(state))
        case _:
            return [*note, *title(count)]


def _sewing(state: Sewn) -> tuple[str, ...]:
    """How it is sewn and pressed, where the plan says."""
    step = state.sewing
    if step is None:
        return ("sewn and pressed",)
    press = "press it open" if step.press == "open" else f"press toward {step.press}"
    return f"{step.sew[0]} sewn to {step.sew[1]}", press


def _mark_rows(state: Sewn) -> list[Row]:
    """What the marks on the cloth mean."""
    step = state.sewing
    lines = []
    if state.unit.dots_mm:
        lines.append("dots: here seams must meet")
    if step is not None:
        toward = "pressed open" if step.press == "open" else f"pressed toward {step.press}"
        is_shown = step.press != "open" and state.laid is not None and not state.laid.twins
        lines.append(f"arrow: {toward}" if is_shown else toward)
    return title("take it away", *lines)


def _marks(state: Sewn, laid: LaidUnit) -> tuple[Mark, ...]:
    """Dots where seams must meet, the arrow of the press direction, and the sides that are too near their seams."""
    marks: list[Mark] = [dot(place, DOT_MM, Ink.WORDS) for place in dots(laid, state.unit.dots_mm)]
    step = state.sewing
    if step is not None and step.press != "open":
        way = press_arrow(laid, "first" if step.press == step.sew[0] else "second", ARROW_MM)
        if way is not None:
            marks += arrow(way[0], way[1], ARROW_WIDTH_MM, Ink.WORDS)
    short = [side for side in state.sides if side.is_short(state.limit_mm(side.side))]
    return (*marks, *(Stroke(path(*side.line_mat_mm), THIN_MM, Ink.BAD) for side in short))


def _end_words(state: Sewn) -> str:
    if not state.stopped:
        return "all units are sewn and trimmed"
    kinds = sewn_kinds(state.plan)
    wanted = sum(wanted_count(state.plan, state.plan.units[kind]) for kind in kinds)
    return f"stopped, {sum(state.made[kind] for kind in kinds)} of {wanted} sewn units are trimmed"


def _cloths(state: Sewn) -> list[Floats]:
    return [*state.lying, *([state.laid.unit.corners_mat_mm] if state.laid is not None else [])]


def _middle(state: Sewn) -> Point:
    if state.laid is not None:
        return _point(state.laid.unit.corners_mat_mm.mean(axis=0))
    centre = Polygon(state.area_mat_mm).centroid
    return centre.x, centre.y


def _point(place: Floats) -> Point:
    return float(place[0]), float(place[1])
