"""The scenes of the guided cut: what stands in the light in each phase, in millimetres of the mat.

Nothing but the cut line lies on cloth. The cautions about the blade come first and stand in every scene that
shows a cut; where the cloth leaves no room at all they are written over it rather than left out.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString, Polygon

from projector.guide.layout import CutLine, Floats
from projector.guide.room import CLEARANCE_MM, Room, Row, block_size
from projector.guide.scenes import Fill, Ink, Mark, Point, Scene, Stroke
from projector.guide.state import Cutting, Phase, Record
from projector.piecing.lengths import inches_text, size_beside
from vision.units import Judged, Verdict

CUT_WIDTH_MM = 1.0
TITLE_MM, TEXT_MM = 10.0, 8.0  # heights of capitals
SIGNAL_WORD = "CAUTION"
CAUTIONS = (
    "Close the blade before it leaves your hand",
    "Cut away from yourself",
    "Fingers back from the ruler's edge",
    "Do not look into the lens",
)
MARK_MM = 8.0  # size of the mark on the kept side
MARK_GAP_MM = 2.0  # between it and the line
MARK_SHARE = 0.85  # of the line's reach past the cloth: far enough out, though the cut may lean by 30 degrees
BESIDE_CUT_MM = 6.0  # kept free on both sides of the cut line

_INKS = {
    Verdict.FITS: Ink.GOOD,
    Verdict.CLOSE: Ink.DOUBT,
    Verdict.LOOK_AGAIN: Ink.DOUBT,
    Verdict.TRIM: Ink.BAD,
    Verdict.SHORT: Ink.BAD,
    Verdict.TURNED_OVER: Ink.BAD,
    Verdict.OTHER: Ink.BAD,
}


def scene_of(state: Cutting) -> Scene:
    """What the light shows while the guided cut waits in this state."""
    room = _room(state)
    if state.line is None:
        marks, room = _block(_rows(state), _middle(state), room)
        return Scene(state.phase.value, marks + _verdict(state, room))
    line = state.line
    ends = (_point(line.shown_mat_mm[0]), _point(line.shown_mat_mm[1]))
    mark = _keep_mark(line, room)
    room = room.without(LineString(ends).buffer(BESIDE_CUT_MM), Polygon(mark.corners_mat_mm))
    cautions, room = _cautions(room)
    keep, room = _block([Row("keep", TEXT_MM, Ink.KEEP)], mark.corners_mat_mm[2], room)
    title, room = _block(_rows(state), _point(line.cloth_mat_mm[1]), room)
    return Scene(
        name=state.phase.value,
        marks=(Stroke(ends, CUT_WIDTH_MM, Ink.CUT), mark, *cautions, *keep, *title, *_verdict(state, room)),
        cut_mat_mm=ends,
        keep=line.keep,
        caution=True,
    )


def verdict_rows(judged: Judged, nominal_mm: float) -> list[Row]:
    """The words beside a unit: its cut width and the verdict, and the reason where it does not simply fit."""
    if judged.verdict is None:
        return []
    size = _cut_width_mm(judged)
    said = judged.verdict.words
    if size is not None and judged.verdict is not Verdict.LOOK_AGAIN:
        fits = judged.verdict is Verdict.FITS
        said = f"{inches_text(size) if fits else size_beside(size, nominal_mm)}, {said}"
    rows = [Row(said, TITLE_MM, _INKS[judged.verdict])]
    if judged.why and judged.verdict is not Verdict.FITS:
        rows.append(Row(judged.why, TEXT_MM))
    return rows


def verdict_sign(verdict: Verdict, left_mat_mm: Point, size_mm: float) -> Mark:
    """The same said by form: a tick, a cross, or a ring in doubt; from the middle of its left side."""
    x, y = left_mat_mm
    half = size_mm / 2.0
    if _INKS[verdict] is Ink.GOOD:
        path = [(0.0, 0.0), (0.35 * size_mm, -half), (size_mm, half)]
    elif _INKS[verdict] is Ink.BAD:
        path = [(0.0, half), (half, 0.0), (0.0, -half), (half, 0.0), (size_mm, half), (half, 0.0), (size_mm, -half)]
    else:
        path = [(0.0, 0.0), (half, half), (size_mm, 0.0), (half, -half), (0.0, 0.0)]
    return Stroke(tuple((x + dx, y + dy) for dx, dy in path), size_mm / 6.0, _INKS[verdict])


def _rows(state: Cutting) -> list[Row]:
    note = [Row(state.note, TEXT_MM)] if state.note else []
    match state.phase:
        case Phase.CLEAR_MAT:
            return [Row("clear the mat", TITLE_MM)]
        case Phase.LAY_STRIP:
            return [*_lay_rows(state), *note]
        case Phase.TRUE_END | Phase.CUT_UNIT if state.line is not None:
            return [*_cut_rows(state, state.line), *note]
        case Phase.DONE:
            return [Row(_end_words(state), TITLE_MM)]
        case _:
            return note


def _lay_rows(state: Cutting) -> list[Row]:
    strip = state.source
    kind = strip.kind.replace("_", " ")
    size = f"{inches_text(strip.width_mm)} wide, {inches_text(strip.length_mm)} long"
    return [Row(f"lay the {kind} across: {strip.name}", TITLE_MM), Row(size, TEXT_MM)]


def _cut_rows(state: Cutting, line: CutLine) -> list[Row]:
    gives = f"this strip gives {line.units_left}"
    if line.purpose == "true_up":
        return [Row(line.why, TITLE_MM), Row(gives, TEXT_MM)]
    done = state.made[state.kind]
    rows = [Row(f"{done + 1} of {state.cut.make}, {gives}", TITLE_MM)]
    return rows if done else [*rows, Row("cut on the light, then slide the unit aside", TEXT_MM)]


def _end_words(state: Cutting) -> str:
    if state.stopped:
        return f"stopped, {sum(state.made)} of {state.plan.wanted} units are cut"
    return f"all {sum(state.made)} units are cut"


def _verdict(state: Cutting, room: Room) -> tuple[Mark, ...]:
    """Words and sign beside the last judged unit, as long as it lies on the mat."""
    beside = next((lying for lying in state.lying if _is_last(state, lying.record)), None)
    if beside is None or state.last is None or state.last.judged.verdict is None:
        return ()
    nominal = state.plan.unit(state.last.unit_name).cut
    rows = verdict_rows(state.last.judged, nominal.width_mm if nominal else 0.0)
    written = room.write(rows, _point(beside.outline_mat_mm.mean(axis=0)), indent_mm=1.4 * TITLE_MM)
    if written is None:
        return ()
    return (*written.words, verdict_sign(state.last.judged.verdict, written.indent_mat_mm, TITLE_MM))


def _is_last(state: Cutting, record: Record | None) -> bool:
    return record is not None and record is state.last


def _cut_width_mm(judged: Judged) -> float | None:
    """Mean width between the two cuts (sides 1 and 3 of a unit from a strip); else of the first pair."""
    widths = {width.sides: width.mean_mm for width in judged.unit.widths}
    return widths.get((1, 3), next(iter(widths.values()), None))


def _room(state: Cutting) -> Room:
    room = Room(Polygon(state.area_mat_mm).buffer(-CLEARANCE_MM))
    outlines = [lying.outline_mat_mm for lying in state.lying]
    if state.strip is not None and state.phase is not Phase.LAY_STRIP:
        outlines.append(state.strip.outline_mat_mm)
    return room.without(*(Polygon(outline).convex_hull for outline in outlines))


def _keep_mark(line: CutLine, room: Room) -> Fill:
    """A triangle past the cloth that points to the side that is kept; at the far end if that is free."""
    marks = [_triangle(line, end) for end in (1, 0)]
    taken = shapely.union_all(room.taken)
    free = [
        mark
        for mark in marks
        if room.area.covers(Polygon(mark.corners_mat_mm)) and taken.disjoint(Polygon(mark.corners_mat_mm))
    ]
    return (free or marks)[0]


def _triangle(line: CutLine, end: int) -> Fill:
    run = line.shown_mat_mm[1] - line.shown_mat_mm[0]
    along = run / np.hypot(*run)
    side = np.array([-along[1], along[0]]) * (1.0 if line.keep == "left" else -1.0)
    cloth, shown = line.cloth_mat_mm[end], line.shown_mat_mm[end]
    foot = cloth + MARK_SHARE * (shown - cloth) + MARK_GAP_MM * side
    corners = (foot - along * MARK_MM / 2.0, foot + along * MARK_MM / 2.0, foot + side * MARK_MM)
    return Fill(tuple(_point(corner) for corner in corners), Ink.KEEP)


def _cautions(room: Room) -> tuple[tuple[Mark, ...], Room]:
    """The blade reminder, as near to the person's edge of the light as there is room."""
    left, low, right, _ = room.area.bounds
    near = ((left + right) / 2.0, low)
    signal = Row(SIGNAL_WORD, TITLE_MM, Ink.CAUTION)
    pairs = [f"{first}. {second}." for first, second in zip(CAUTIONS[::2], CAUTIONS[1::2], strict=True)]
    layouts = [[signal, *(Row(text, TEXT_MM, Ink.WORDS) for text in texts)] for texts in (pairs, CAUTIONS)]
    for rows in layouts:
        written = room.write(rows, near)
        if written is not None:
            return written.words, written.room
    over = room.write_at(layouts[-1], (near[0], low + block_size(layouts[-1])[1] / 2.0))
    return over.words, over.room


def _block(rows: list[Row], near_mat_mm: Point, room: Room) -> tuple[tuple[Mark, ...], Room]:
    """Lines of text near a point, and the room left; nothing where there is no room."""
    written = room.write(rows, near_mat_mm) if rows else None
    return (written.words, written.room) if written else ((), room)


def _middle(state: Cutting) -> Point:
    if state.strip is not None and state.phase in (Phase.TRUE_END, Phase.CUT_UNIT, Phase.LAY_UNIT):
        return _point(state.strip.end_middle_mat_mm)
    centre = Polygon(state.area_mat_mm).centroid
    return centre.x, centre.y


def _point(place: Floats) -> Point:
    return float(place[0]), float(place[1])
