"""What is foretold of a block from the units and the seams that were measured."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.blockmaking import block_to_make
from projector.piecing.foresight.advice import needle_shift_mm, odd_ones
from projector.piecing.foresight.closing import Closing, Corner, closings
from projector.piecing.foresight.forecast import SeamErrors, Size, Source, distances, forecast
from projector.piecing.foresight.piles import Pile, seam_errors, side_errors
from projector.piecing.foresight.placing import corners_of, places_of
from projector.piecing.making import Made, Wishes, plan_of
from projector.piecing.patchwork.patches import inner_angles_rad, joins_of
from projector.piecing.plans import Making, Plan, expected_shape

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Prediction:
    """What is foretold of the block."""

    sizes: tuple[Size, ...]
    tips: tuple[Size, ...]  # from each of the places that were asked for to the opposite one
    seam: SeamErrors | None  # None: no sewn unit was measured, seams are taken as planned
    closings: tuple[Closing, ...]
    shift_mm: float
    leave_out: Mapping[str, tuple[int, ...]]  # by kind, counted from 1 in the order measured
    measured: Mapping[str, int]


def made_of(plan: Plan, making: Making) -> Made:
    """The block that a plan makes, with all its stages. Raises BlockError, DrawingError, PlanError."""
    wishes = Wishes(plan.seam_allowance_mm, plan.tolerance_mm, plan.angle_tolerance_rad, plan.hand)
    return plan_of(block_to_make(making), making, wishes)


def foretold(
    made: Made,
    piles: Sequence[Pile],
    seam: SeamErrors | None = None,
    raw: bool = False,
    tips_mm: Sequence[tuple[float, float]] = (),
) -> Prediction:
    """From piles of measured units, each named as a unit of the plan is.

    `seam` is what a seam test told; without one the segments of strip sets among the piles tell of their seams. The
    sizes are those of the finished block; `raw`: of its outline before its outermost lines are sewn to anything.
    `tips_mm` are places of the block at which patches meet, in order around it.
    """
    sources, corners = [], list[Corner]()
    whole = [frozenset(made.stages.faces(piece)) for pile in piles for piece in made.kinds[pile.name].pieces]
    for pile in piles:
        shape = expected_shape(made.plan, made.plan.unit(pile.name)).corners_mm
        kind = made.kinds[pile.name]
        # What is part of a larger piece that was measured, too, is in that one's sides already.
        outer = [piece for piece in kind.pieces if not any(set(made.stages.faces(piece)) < one for one in whole)]
        placed = [places_of(made.stages, piece, shape) for piece in outer]
        errors = side_errors(pile, made.plan.tolerance_mm / 2.0)
        sources.append(Source(pile.name, errors, tuple(one for one in placed if one is not None)))
        for piece in kind.pieces:
            corners += _corners(pile, corners_of(made.stages, piece, shape), shape)
    depth = seam or _seam(made.plan, piles)
    known = sources, depth or SeamErrors(), _sewn_lines(made, piles, raw)
    sizes = tuple(forecast(made.stages, *known))
    half = len(tips_mm) // 2
    across = [(k, (k + half) % len(tips_mm)) for k in range(half if len(tips_mm) % 2 == 0 else len(tips_mm))]
    return Prediction(
        sizes,
        tuple(distances(made.stages, _nodes_at(made, tips_mm), across, *known)) if across else (),
        depth,
        tuple(closings(made.stages, corners)),
        needle_shift_mm(sizes[: len(made.stages.corner_nodes())]),
        {pile.name: tuple(i + 1 for i in odd) for pile in piles if (odd := odd_ones(pile))},
        {pile.name: len(pile) for pile in piles},
    )


def _nodes_at(made: Made, places_mm: Sequence[tuple[float, float]]) -> tuple[int, ...]:
    """The nodes of the mesh at places of the block."""
    nodes = made.stages.mesh.nodes_mm
    return tuple(int(np.argmin(np.hypot(*(nodes - np.array(place)).T))) for place in places_mm)


def _sewn_lines(made: Made, piles: Sequence[Pile], raw: bool) -> Collection[int]:
    """Stitch lines whose depth is not asked for: within measured units it is in their sides; on a raw rim is none."""
    number = {id(join): i for i, join in enumerate(made.stages.joins)}
    seen = {number[id(join)] for pile in piles for piece in made.kinds[pile.name].pieces for join in joins_of(piece)}
    rim = set(made.stages.stitch_lines().values()) - set(number.values()) if raw else set[int]()
    return seen | rim


def _corners(pile: Pile, nodes: tuple[int | None, ...] | None, shape: Floats) -> list[Corner]:
    if nodes is None:
        return []
    off = pile.angles_rad.mean(axis=0) - inner_angles_rad(shape)
    sd = pile.angles_rad.std(axis=0, ddof=1) if len(pile) > 1 else np.zeros(len(shape))
    return [Corner(node, float(o), float(s)) for node, o, s in zip(nodes, off, sd, strict=True) if node is not None]


def _seam(plan: Plan, piles: Sequence[Pile]) -> SeamErrors | None:
    """From segments of strip sets: how much higher or lower than planned they came out over their strips."""
    heights = []
    for pile in piles:
        cut = plan.unit(pile.name).cut
        seams = len(plan.strip(cut.strip).seams_mm) if cut else 0
        u = np.hypot(pile.u_mm[:, 0], pile.u_mm[:, 2]) if seams else np.zeros(len(pile))
        for offsets, doubt in zip(pile.offsets_mm, u, strict=True):
            if seams:
                heights.append((float(offsets[0] + offsets[2]), seams, float(doubt)))
    return seam_errors(heights)
