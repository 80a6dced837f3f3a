"""The scenes of the finished block, and what is said of it: its sizes beside the plan's and those foretold."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from shapely import Polygon

from projector.guide.scene.marks import dot, outline
from projector.guide.scene.page import Page, title
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink, Scene
from projector.guide.steps import BlockRecord, Distance
from projector.guide.whole.state import Phase, Whole
from projector.piecing.foresight.advice import SAID_MM, SURE
from projector.piecing.lengths import difference_text, length_text, mm_text, size_beside

TIP_MM = 1.5  # radius of the dot on each point's tip


def scene_of(state: Whole) -> Scene:
    """What the light shows while the chapter waits in this state."""
    record = state.record if state.phase is Phase.TOLD else None
    page = Page.of(state.area_mat_mm, [] if record is None else [record.outline_mat_mm], state.sitting)
    if record is None:
        middle = Polygon(state.area_mat_mm).centroid
        return page.written(_rows(state), (middle.x, middle.y)).scene(state.phase.value)
    tips = () if record.star is None else tuple(dot(tip, TIP_MM, Ink.OUTLINE) for tip in record.star.tips_mat_mm)
    page = page.drawn(outline(record.outline_mat_mm), *tips)
    near = record.outline_mat_mm.mean(axis=0)
    return page.written(block_rows(record, state.plan.metric), (float(near[0]), float(near[1]))).scene(
        state.phase.value
    )


def _rows(state: Whole) -> list[Row]:
    note = title(state.note)[:1] if state.note else []
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.LAY_BLOCK:
            count = f"{state.number} of {state.wanted}"
            return [*title(f"lay down the block, {count}", state.unit.name, "sewn and pressed"), *note]
        case Phase.DONE:
            return title("stopped" if state.stopped else f"all {state.wanted} blocks are measured")
        case _:
            return note


def block_rows(record: BlockRecord, metric: bool = False) -> list[Row]:
    """What is said of a block: against the plan, against what was foretold, whether it is square, its points."""
    sides, across, tips = ([one for one in record.distances if one.kind == kind] for kind in ("side", "across", "tips"))
    said = f"block {record.n} of {record.of}: {off_words(sides, metric)}"
    sizes, foretold = _size_words(sides, metric), foretold_words(sides, metric)
    return title(said, *sizes, foretold, square_words(across, metric), *_tip_words(tips, metric))


def off_words(distances: Sequence[Distance], metric: bool) -> str:
    """How far off the plan the worst of them is, if it surely is."""
    worst = max(distances, key=lambda one: abs(one.off_mm))
    if abs(worst.off_mm) < max(SURE * worst.u_mm, SAID_MM):
        return "as planned"
    return difference_text(worst.off_mm, "too large", "too small", metric=metric)


def foretold_words(distances: Sequence[Distance], metric: bool) -> str:
    """How they lie beside what was foretold; nothing where nothing was."""
    told = [
        (one.measured_mm - one.foretold_mm, math.hypot(one.u_mm, one.foretold_u_mm or 0.0), one.foretold_mm)
        for one in distances
        if one.foretold_mm is not None
    ]
    if not told:
        return ""
    off, u_mm, size_mm = max(told, key=lambda one: abs(one[0]))
    foretold = f"foretold {length_text(size_mm, metric, 64)}"
    if abs(off) < max(SURE * u_mm, SAID_MM):
        return f"{foretold}: so it is, give or take {mm_text(SURE * u_mm)}"
    return f"{foretold}: {difference_text(off, 'larger', 'smaller', metric=metric)}"


def square_words(across: Sequence[Distance], metric: bool) -> str:
    """By how much the two ways across a square differ from what they should, if they surely do."""
    if len(across) != 2:
        return ""
    off = across[0].off_mm - across[1].off_mm
    if abs(off) < max(SURE * math.hypot(across[0].u_mm, across[1].u_mm), SAID_MM):
        return "it is square"
    return f"corner to corner differs by {difference_text(abs(off), '', '', metric=metric).strip()}: it leans"


def _size_words(distances: Sequence[Distance], metric: bool) -> list[str]:
    """Of sides that are planned alike the least and the greatest, what was planned, and how sure."""
    lines = []
    for planned in sorted({round(one.planned_mm, 1) for one in distances}, reverse=True):
        alike = [one for one in distances if round(one.planned_mm, 1) == planned]
        low, high = (pick(alike, key=lambda one: one.measured_mm) for pick in (min, max))
        sizes = [_size(one, metric) for one in (low, high)]
        size = sizes[0] if sizes[0] == sizes[1] else f"{sizes[0]} to {sizes[1]}"
        u_mm = float(np.median([one.u_mm for one in alike]))
        lines.append(f"{size}, planned {length_text(planned, metric, 64)}, give or take {mm_text(SURE * u_mm)}")
    return lines


def _tip_words(tips: Sequence[Distance], metric: bool) -> list[str]:
    """From point to opposite point: the one that is most off its plan."""
    if not tips:
        return []
    worst = max(tips, key=lambda one: abs(one.off_mm))
    a, b = (number + 1 for number in worst.points)
    if abs(worst.off_mm) < max(SURE * worst.u_mm, SAID_MM):
        return ["opposite points lie as planned"]
    off = difference_text(worst.off_mm, "too far apart", "too near", metric=metric)
    return [f"points {a} and {b}: {_size(worst, metric)}, {off}"]


def _size(one: Distance, metric: bool) -> str:
    """As fine as it takes not to read like the plan's, if it surely is another."""
    if abs(one.off_mm) < max(SURE * one.u_mm, SAID_MM):
        return length_text(one.measured_mm, metric, 64)
    return size_beside(one.measured_mm, one.planned_mm, metric)
