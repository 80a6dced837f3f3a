"""Which pieces are the same, wherever they lie in a block: turned and moved, but never turned over."""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.patchwork.patches import Patch, Piece
from projector.piecing.patchwork.stages import Stage, Stages

Floats = NDArray[np.float64]

GRID_MM = 1e-3  # pieces that differ by less are the same
SHIFT = 0.2713  # of a grid step, so that round sizes do not lie on the border between two


@dataclass(frozen=True, eq=False, slots=True)
class Kind:
    """Pieces of a block that are the same: the stage of one of them, and all of them in the order of sewing."""

    stage: Stage
    pieces: tuple[Piece, ...]

    @property
    def count(self) -> int:
        return len(self.pieces)


def kinds_of(stages: Stages) -> list[Kind]:
    """Every patch and every join of a block, grouped by sameness, parts before what is made of them."""
    patches = stages.block.patches
    pieces: list[Piece] = [*patches, *stages.joins]
    found: dict[Hashable, list[Piece]] = {}
    for piece in pieces:
        own = [patches[i] for i in stages.faces(piece)]
        found.setdefault(signature(stages.finished_mm(piece), own), []).append(piece)
    return [Kind(stages.stage(group[0]), tuple(group)) for group in found.values()]


def signature(outline_mm: Floats, patches: Sequence[Patch]) -> Hashable:
    """Equal for two pieces whose finished patches and fabrics are the same after a turn and a move.

    Every side of the finished outline (N, 2) is tried as the x axis; the least description is the piece's own.
    """
    fabrics = [patch.fabric for patch in patches]
    points = np.concatenate([outline_mm, *(patch.corners_mm for patch in patches)])
    ends = list(itertools.accumulate(len(patch.corners_mm) for patch in patches))
    n = len(outline_mm)
    starts = points[:n]
    along = np.roll(starts, -1, axis=0) - starts
    along /= np.hypot(*along.T)[:, None]
    away = points[None] - starts[:, None]  # (N sides, points, 2)
    x = away[..., 0] * along[:, None, 0] + away[..., 1] * along[:, None, 1]
    y = along[:, None, 0] * away[..., 1] - along[:, None, 1] * away[..., 0]
    steps = np.floor(np.stack([x, y], axis=-1) / GRID_MM + SHIFT).astype(np.int64).tolist()
    outlines = [_from_least(places[:n]) for places in steps]
    least = min(outlines)
    descriptions = []
    for outline, places in zip(outlines, steps, strict=True):
        if outline == least:
            rings = [places[n + a : n + b] for a, b in itertools.pairwise([0, *ends])]
            descriptions.append(sorted((f, *_from_least(ring)) for f, ring in zip(fabrics, rings, strict=True)))
    return least, tuple(min(descriptions))


def _from_least(ring: list[list[int]]) -> tuple[tuple[int, int], ...]:
    """A ring of places, begun at the least of them."""
    places = [(x, y) for x, y in ring]
    first = places.index(min(places))
    return tuple(places[first:] + places[:first])
