"""Where the sides of a unit, as its plan draws them, come to lie in the block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from projector.piecing.foresight.forecast import Places
from projector.piecing.patchwork.patches import Piece
from projector.piecing.patchwork.raw import HalfPlane, grown, raw_edge
from projector.piecing.patchwork.stages import Stages

Floats = NDArray[np.float64]

NEAR_MM = 1e-3


def places_of(stages: Stages, piece: Piece, expected_mm: Floats) -> Places | None:
    """For each side of an expected raw outline (N, 2) the sides of patches on it; None where it is not this piece's.

    Sides of patches are counted through all patches of the block, each from its first bend on. An ear has none.
    """
    finished = stages.finished_mm(piece)
    for raw in (grown(finished, stages.allowance_mm), stages.stage(piece).raw_mm):
        laid = _laid(expected_mm, raw)
        if laid is not None:
            sides = _raw_sides(stages, piece)
            return tuple(_under(sides, a, b) for a, b in zip(laid, np.roll(laid, -1, axis=0), strict=True))
    return None


def corners_of(stages: Stages, piece: Piece, expected_mm: Floats) -> tuple[int | None, ...] | None:
    """For each corner of an expected raw outline the node of the block that it belongs to; None for those of ears."""
    raw = grown(stages.finished_mm(piece), stages.allowance_mm)
    laid = _laid(expected_mm, raw)
    if laid is None:
        return None
    nodes = stages.bend_nodes(piece)
    return tuple(nodes[int(np.argmin(np.hypot(*(raw - corner).T)))] for corner in laid)


def _laid(expected: Floats, raw: Floats) -> Floats | None:
    """The expected corners moved and turned onto a raw outline, each where one of its corners is."""
    n = len(expected)
    if len(raw) != n:
        return None
    middle, other = expected.mean(axis=0), raw.mean(axis=0)
    for shift in range(n):
        target = np.roll(raw, -shift, axis=0)
        a, b = expected - middle, target - other
        # The best turn of two sets of places (Kabsch, 1976), in the plane; never a reflection.
        sine = float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
        cosine = float(np.sum(a * b))
        scale = float(np.hypot(sine, cosine))
        turn = np.array([[cosine, sine], [-sine, cosine]]) / scale
        if float(np.abs(a @ turn - b).max()) < NEAR_MM:
            return target
    return None


def _raw_sides(stages: Stages, piece: Piece) -> list[tuple[int, HalfPlane]]:
    """The sides of a piece's patches by their numbers, each with its raw edge."""
    first, found = stages.first_sides(), []
    for face in stages.faces(piece):
        corners = stages.mesh.corners_mm(stages.mesh.rings[face])
        for i, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
            found.append((first[face] + i, raw_edge(a, b, stages.allowance_mm)))
    return found


def _under(sides: list[tuple[int, HalfPlane]], start: Floats, end: Floats) -> tuple[int, ...]:
    """The sides whose raw edges lie on the line from start to end, seen the same way."""
    line = raw_edge(start, end, 0.0)
    return tuple(
        number
        for number, own in sides
        if abs(own.reach_mm - line.reach_mm) < NEAR_MM and np.abs(own.normal - line.normal).max() < 1e-6
    )
