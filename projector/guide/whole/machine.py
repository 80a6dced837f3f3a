"""The finished block as a table: laid down, measured from point to point, told; on when it is taken away.

`step` never waits, draws, measures or reads a clock. Every pair of a phase and an observation is either in `RULES` or
in `IGNORED`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.guide import steps, tables
from projector.guide.looks import BlockSeen, KeyPressed, MatCleared, Observation
from projector.guide.scene.scenes import Point
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import Distance
from projector.guide.tables import by_key, ignored, turn_by
from projector.guide.whole.stage import scene_of
from projector.guide.whole.state import Phase, Whole, block_unit, star_tips
from projector.piecing.foresight.forecast import SeamErrors, Size, pairs_of
from projector.piecing.foresight.foretelling import Prediction, foretold, made_of
from projector.piecing.foresight.piles import Pile
from projector.piecing.plans import Plan
from vision.blocks.measure import MeasuredBlock
from vision.comparing.compare import TROUBLES
from vision.comparing.expected import ExpectedShape
from vision.comparing.rigidfit import Fit, best_fit, turn_matrix
from vision.outlines.sidedoubt import corner_slopes
from vision.polygons import outward_normals
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]
Step = steps.Step[Whole]

LARGEST_OFF = 0.05  # of its size: what is farther off at a corner is another piece of cloth
TIP_NEAR_MM = 20.0  # a point's tip this near to a planned one is that point
MOVED_MM = 3.0  # a block that moved farther was taken up


Turn = steps.Turn[Whole]


Rule = tables.Rule[Whole]


def begin(
    plan: Plan,
    area_mat_mm: tuple[Point, ...],
    done: int = 0,
    piles: Sequence[Pile] = (),
    seam: SeamErrors | None = None,
    sitting: Sitting = USUAL,
) -> Step:
    """Start with a plan's blocks, `done` of which were measured already.

    What is foretold of them follows from `piles` of measured units and from `seam`, what the seam check found; with
    neither nothing is foretold. Raises ValueError where the plan sews no block.
    """
    unit = block_unit(plan)
    if unit is None:
        raise ValueError("the plan sews no block")
    known = prediction(plan, piles, seam)
    first = Whole(plan, area_mat_mm, unit, done, known, sitting=sitting)
    if first.is_made:
        return _finished(first).drawn(scene_of)
    return Turn(first, (_ask(first, "clear_mat"),)).drawn(scene_of)


def prediction(plan: Plan, piles: Sequence[Pile], seam: SeamErrors | None) -> Prediction | None:
    """What is foretold of the raw block; None where nothing was measured, or where the plan has no [block]."""
    if plan.making is None or (not piles and seam is None):
        return None
    made = made_of(plan, plan.making)
    known = [pile for pile in piles if pile.name in made.kinds]
    return foretold(made, known, seam, raw=True, tips_mm=star_tips(plan))


def step(state: Whole, seen: Observation) -> Step:
    """One turn of the chapter: the next state, what to show, what to tell, what to keep."""
    return turn_by(RULES, state, seen).drawn(scene_of)


def _block_wanted(state: Whole, _: Observation) -> Turn:
    waiting = replace(state, phase=Phase.LAY_BLOCK, record=None, note="")
    return Turn(waiting, (_ask(waiting, "block"),))


def _block_looked_for(state: Whole, seen: Observation) -> Turn:
    found = _found(state, _seen(seen))
    if isinstance(found, str):
        return _refused(state, found) if found else Turn(state)
    told = replace(state, phase=Phase.TOLD, done_before=state.done_before + 1, record=found, note="")
    return Turn(told, (_ask(state, "take_unit"),), (found,))


def _taken(state: Whole, seen: Observation) -> Turn:
    """Once the block is taken up, what was said of it has been read."""
    cloths = _cloths(_seen(seen))
    if state.record is not None and any(_moved_mm(state.record.outline_mat_mm, one) <= MOVED_MM for one in cloths):
        return Turn(state)
    turn = _on(state, seen)
    if turn.state.phase is not Phase.LAY_BLOCK or not cloths:
        return turn
    following = _block_looked_for(turn.state, seen)  # the next one may lie there already
    asked = turn.events if following.state.phase is Phase.LAY_BLOCK else ()
    return replace(following, events=(*asked, *following.events))


def _on(state: Whole, seen: Observation) -> Turn:
    return _finished(state) if state.is_made else _block_wanted(state, seen)


def _finished(state: Whole, *_: Observation) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, note=""))


def _stop(state: Whole, _: Observation) -> Turn:
    return Turn(replace(state, phase=Phase.DONE, stopped=True))


KEYS: dict[tuple[Phase, str], Rule] = {
    (Phase.CLEAR_MAT, "on"): _block_wanted,
    (Phase.LAY_BLOCK, "on"): _finished,  # without the rest
    (Phase.TOLD, "on"): _on,
    **{(phase, "end"): _stop for phase in Phase if phase is not Phase.DONE},
}

RULES: dict[tuple[Phase, type], Rule] = {
    (Phase.CLEAR_MAT, MatCleared): _block_wanted,
    (Phase.LAY_BLOCK, BlockSeen): _block_looked_for,
    (Phase.TOLD, BlockSeen): _taken,
    **{(phase, KeyPressed): by_key(KEYS) for phase in Phase if phase is not Phase.DONE},
}

IGNORED = ignored(Phase, Phase.CLEAR_MAT, Phase.DONE, BlockSeen)


# What is measured.


def _found(state: Whole, seen: BlockSeen) -> steps.BlockRecord | str:
    """The block, or why what lies there is none; nothing where nothing does."""
    if seen.block is not None:
        if seen.block.trouble is not None:
            return TROUBLES.get(seen.block.trouble, "lay it alone, and flat")
        distances = star_distances(state, seen.block)
        return _record(state, seen.block.corners_mat_mm, seen.block.corners_u_mm, seen.block, distances)
    for unit in seen.others:
        fit = best_fit(unit, state.expected)
        if fit is None or fit.worst_corner_mm > LARGEST_OFF * float(np.ptp(state.expected.corners_mm)):
            continue
        if unit.trouble not in (None, "unsure"):
            return TROUBLES.get(unit.trouble or "", "lay it alone, and flat")
        distances = outline_distances(state.expected, unit, fit, state.prediction)
        return _record(state, unit.corners_mat_mm, unit.corners_u_mm, None, distances)
    troubles = [unit.trouble for unit in seen.others if unit.trouble]
    if troubles:
        return TROUBLES.get(troubles[0], "lay it alone, and flat")
    return f"this is not {state.unit.name}, or far off its size" if seen.others else ""


def _record(
    state: Whole, outline: Floats, u_mm: Floats, star: MeasuredBlock | None, distances: tuple[Distance, ...]
) -> steps.BlockRecord:
    return steps.BlockRecord(state.unit.name, outline, u_mm, star, distances, state.number, state.wanted)


def outline_distances(
    expected: ExpectedShape, unit: MeasuredUnit, fit: Fit, known: Prediction | None
) -> tuple[Distance, ...]:
    """Sides, then what lies across, between the block's outer corners, numbered as the plan has them."""
    n = len(expected.corners_mm)
    number = [(i - fit.roll) % n for i in range(n)]  # which measured corner each planned one is
    if fit.mirrored:  # it lies face down; distances are the same
        number = [number[-i % n] for i in range(n)]
    us = _corner_us(unit)
    return _outline(expected.corners_mm, unit.corners_mat_mm[number], lambda i, j: us(number[i], number[j]), known)


def star_distances(state: Whole, star: MeasuredBlock) -> tuple[Distance, ...]:
    """The same of a block with a star, numbered as it lies; and between opposite points."""
    corners_u = star.corners_u_mm

    def us(i: int, j: int) -> float:
        return float(np.hypot(corners_u[i], corners_u[j]))

    outline = _outline(state.expected.corners_mm, star.corners_mat_mm, us, state.prediction)
    planned = _tips_on(star, state.plan)
    n, told = len(star.tips_mat_mm), state.prediction.tips if state.prediction else ()
    tips = []
    for i, (measured, u_mm) in enumerate(zip(star.distances_mm, star.distances_u_mm, strict=True)):
        j = (i + n // 2) % n
        if planned is None:
            continue
        size = _size_between(told, planned[1][i], planned[1][j])
        away = planned[0][i] - planned[0][j]
        tips.append(_distance("tips", (i, j), float(measured), float(u_mm), float(np.hypot(*away)), size))
    return (*outline, *tips)


def _outline(
    planned: Floats, measured: Floats, us: Callable[[int, int], float], known: Prediction | None
) -> tuple[Distance, ...]:
    n, found = len(planned), []
    for i, j in pairs_of(n):
        kind = "side" if j == (i + 1) % n else "across"
        size = _size_between(known.sizes, i, j) if known else None
        lengths = (float(np.hypot(*(places[j] - places[i]))) for places in (measured, planned))
        found.append(_distance(kind, (i, j), next(lengths), us(i, j), next(lengths), size))
    return tuple(found)


def _distance(
    kind: str, points: tuple[int, int], measured: float, u_mm: float, planned: float, size: Size | None
) -> Distance:
    """The plan's length of the raw block; what is foretold is off it by as much as the finished size is off its own."""
    told = None if size is None else planned + size.expected_mm - size.planned_mm
    told_u = None if size is None else float(np.hypot(size.sd_mm, size.u_mm))
    return Distance(kind, points, measured, u_mm, planned, told, told_u)  # type: ignore[arg-type]


def _size_between(sizes: Sequence[Size], i: int, j: int) -> Size | None:
    return next((size for size in sizes if set(size.corners) == {i, j}), None)


def _corner_us(unit: MeasuredUnit) -> Callable[[int, int], float]:
    """Standard uncertainty of the distance of two corners of a measured outline."""
    corners = unit.corners_mat_mm

    def us(i: int, j: int) -> float:
        if unit.doubt is None:
            return float(np.hypot(unit.corners_u_mm[i], unit.corners_u_mm[j]))
        slopes = corner_slopes(corners)
        along = (corners[j] - corners[i]) / np.hypot(*(corners[j] - corners[i]))
        row = along @ (slopes[2 * j : 2 * j + 2] - slopes[2 * i : 2 * i + 2])
        return float(unit.doubt.u_of(row[None])[0])

    return us


def _tips_on(star: MeasuredBlock, plan: Plan) -> tuple[Floats, list[int]] | None:
    """For each measured point the planned tip that it is, and its number; None where they do not go together.

    The block may lie turned by quarters: of all four ways the one in which the tips lie nearest.
    """
    tips = np.array(star_tips(plan)).reshape(-1, 2)
    if plan.making is None or len(tips) != len(star.tips_mat_mm):
        return None
    outward, middle = outward_normals(star.corners_mat_mm)[0], star.corners_mat_mm.mean(axis=0)
    best: tuple[float, list[int]] | None = None
    for quarter in range(4):
        turn = math.atan2(outward[0], -outward[1]) + quarter * math.pi / 2.0  # along side 0, then on
        laid = (tips - plan.making.finish_mm / 2.0) @ turn_matrix(turn).T + middle
        far = np.hypot(*(star.tips_mat_mm[:, None] - laid[None]).transpose(2, 0, 1))
        nearest, worst = [int(k) for k in far.argmin(axis=1)], float(far.min(axis=1).max())
        if len(set(nearest)) == len(nearest) and (best is None or worst < best[0]):
            best = worst, nearest
    return None if best is None or best[0] > TIP_NEAR_MM else (tips[best[1]], best[1])


def _moved_mm(before: Floats, now: Floats) -> float:
    return float(np.hypot(*(now.mean(axis=0) - before.mean(axis=0))))


def _cloths(seen: BlockSeen) -> list[Floats]:
    block = [] if seen.block is None else [seen.block.corners_mat_mm]
    return [*block, *(unit.corners_mat_mm for unit in seen.others)]


def _seen(seen: Observation) -> BlockSeen:
    if not isinstance(seen, BlockSeen):
        raise ValueError("not a measurement")
    return seen


def _refused(state: Whole, do: str) -> Turn:
    """Say once what is wrong."""
    if state.note == do:
        return Turn(state)
    why = next((why for why, words in TROUBLES.items() if words == do), "other")
    return Turn(replace(state, note=do), ({"event": "refused", "what": "block", "why": why, "do": do},))


def _ask(state: Whole, what: str) -> steps.Event:
    return {"event": "ask", "what": what, "n": state.number, "of": state.wanted, "name": state.unit.name}
