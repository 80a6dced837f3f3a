"""The scenes of cutting strips from yardage: what stands in the light in each phase, in millimetres of the mat."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely import Polygon

from projector.guide.scene.page import Page, title
from projector.guide.scene.room import Row, wrapped
from projector.guide.scene.scenes import Point, Scene
from projector.guide.steps import StripRecord
from projector.guide.units.layout import CutLine, Floats
from projector.guide.units.stage import ruler_side
from projector.guide.units.verdicts import INKS, measured_text, planned_text, verdict_sign
from projector.guide.yardage.layout import widths_along_mm
from projector.guide.yardage.state import Phase, Striping
from projector.piecing.lengths import length_text
from vision.units import Verdict

FIRST_CUT = ("set the ruler's edge by the light on the cloth", "cut away from the fold, slide the strip aside")
COLUMNS_MM = (180.0, 130.0)
TOLD_TAPER_MM = 0.8  # about 1/32 in
TOLD_BEND_RAD = math.radians(0.1)  # a smaller one is nobody's concern


def scene_of(state: Striping) -> Scene:
    """What the light shows while the cutting of strips waits in this state."""
    page = Page.of(state.area_mat_mm, _cloths(state), state.sitting)
    line = state.line
    if line is not None:
        page = page.cutting(line.cloth_mat_mm, line.shown_mat_mm, line.keep, ruler_side(state.plan.hand))
    page = _said(page, _rows(state), _middle(state) if line is None else _point(line.cloth_mat_mm[1]))
    return replace(_with_verdict(state, page).scene(state.phase.value), layers=state.chapter.layers)


def _said(page: Page, rows: list[Row], near_mat_mm: Point) -> Page:
    """In a column beside the cloth, which may leave no other room, if all of it finds room there; else as it does."""
    for width_mm in COLUMNS_MM:
        column = wrapped(rows, width_mm)
        beside = page.written(column, near_mat_mm)
        if len(beside.marks) == len(page.marks) + len(column):
            return beside
    return page.written(rows, near_mat_mm)


def how_to_lay(state: Striping) -> str:
    """As it is usually laid: the fold, or one straight edge, toward the person, worked on at their hand's side."""
    folded = {1: "single", 2: "folded once"}.get(state.chapter.layers, f"{state.chapter.layers} layers")
    edge = "the fold toward you" if state.chapter.layers > 1 else "a straight edge toward you"
    return f"{folded}, {edge}, the raw end to the {state.plan.hand}"


def _cloths(state: Striping) -> list[Floats]:
    shown = state.cloth is not None and state.phase is not Phase.LAY_CLOTH
    return [*state.lying, *([state.cloth.outline_mat_mm] if shown and state.cloth is not None else [])]


def _rows(state: Striping) -> list[Row]:
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.LAY_CLOTH:
            count = f"{state.wanted - sum(state.made)} strips of it are wanted"
            asked = title(f"lay the cloth: {state.chapter.fabric}", *how_to_lay(state).split(", "))
            return [*asked, *_sentence(state.note or count)]
        case Phase.PULL_CLOTH:
            other = "left" if state.plan.hand == "left" else "right"
            return [*_sentence(f"pull more of the cloth to the {other}"), *_sentence(state.note)]
        case Phase.SQUARE_END | Phase.CUT_STRIP if state.line is not None:
            return _cut_rows(state, state.line)
        case Phase.DONE:
            return title(_end_words(state))
        case _:
            return _sentence(state.note)


def _cut_rows(state: Striping, line: CutLine) -> list[Row]:
    gives = f"this cloth gives {line.units_left}"
    first = FIRST_CUT if not sum(state.made) else ()
    if line.purpose == "true_up":
        return title(line.why, gives, *first[:1])
    width = length_text(state.due.width_mm, state.plan.metric)
    many = f", {state.at_once} at once" if state.at_once > 1 else ""
    return title(f"{state.n} of {state.wanted}{many}: {width}", f"for {state.due.strip}, {gives}", *first)


def _sentence(text: str) -> list[Row]:
    """A note, said as large as a title."""
    return title(text) if text else []


def _end_words(state: Striping) -> str:
    if state.stopped:
        return f"stopped, {sum(state.made)} of {state.wanted} strips of {state.chapter.fabric} are cut"
    return f"all strips of {state.chapter.fabric} are cut"


def strip_rows(record: StripRecord, metric: bool = False) -> list[Row]:
    """The words beside a strip: measured width and verdict, what was planned, and how it bends at the fold."""
    judged = record.judged
    if judged.verdict is None:
        return []
    fits = judged.verdict is Verdict.FITS
    size = measured_text(judged.strip.width_mm, record.band_mm, fits, metric)
    rows = title(f"{size}, {judged.verdict.words}", ink=INKS[judged.verdict])
    if not fits:
        rows += title("", planned_text(judged.strip.width_mm, record.band_mm, metric))[1:]
    least_mm, greatest_mm = widths_along_mm(judged.strip)
    if greatest_mm - least_mm > TOLD_TAPER_MM:
        rows += title("", f"from {length_text(least_mm, metric, 64)} to {length_text(greatest_mm, metric, 64)}")[1:]
    if record.bend_rad is not None and abs(record.bend_rad) >= TOLD_BEND_RAD:
        rows += title("", f"opened, it bends by {math.degrees(abs(record.bend_rad)):.1f} deg at the fold")[1:]
    return rows


def _with_verdict(state: Striping, page: Page) -> Page:
    """Words and sign beside the last strip, as long as it lies on the mat."""
    if state.last is None or state.last_mat_mm is None or state.last.judged.verdict is None:
        return page
    place = Polygon(state.last_mat_mm)
    if not any(Polygon(outline).buffer(0.0).intersects(place) for outline in state.lying):
        return page
    sign = verdict_sign(state.last.judged.verdict)
    return page.signed(strip_rows(state.last, state.plan.metric), sign, _point(np.mean(state.last_mat_mm, axis=0)))


def _middle(state: Striping) -> Point:
    if state.cloth is not None and state.phase is not Phase.LAY_CLOTH:
        return _point(state.cloth.end_middle_mat_mm)
    centre = Polygon(state.area_mat_mm).centroid
    return centre.x, centre.y


def _point(place: Floats) -> Point:
    return float(place[0]), float(place[1])
