"""The size of a block from what is known of its sides and seams: linear propagation with covariances."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.foresight.response import Response, response
from projector.piecing.patchwork.stages import Stages

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class SideErrors:
    """What is known of the sides of one kind of unit: how far each lies outward of where it should.

    `mean_mm` (N,), `covariance_mm2` (N, N) from unit to unit, `u_mean_mm2` (N, N) of the mean itself, which all units
    of the kind share.
    """

    mean_mm: Floats
    covariance_mm2: Floats
    u_mean_mm2: Floats


Places = tuple[tuple[int, ...], ...]  # for each side of a unit, the sides of patches that lie on it, among all sides


@dataclass(frozen=True, eq=False, slots=True)
class Source:
    """A kind of unit, what is known of it, and where in the block each one of it lies."""

    name: str
    errors: SideErrors
    places: tuple[Places, ...]


@dataclass(frozen=True, slots=True)
class SeamErrors:
    """How much deeper than planned seams are sewn: in the mean, from seam to seam, and the mean's own doubt."""

    mean_mm: float = 0.0
    sd_mm: float = 0.0
    u_mean_mm: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Size:
    """A distance between two corners of the finished block, or two other places of it."""

    corners: tuple[int, int]  # of the block's outline, or of the places that were asked for
    planned_mm: float
    expected_mm: float
    sd_mm: float  # from block to block
    u_mm: float  # of the expected size: what is not known of the means
    shares: tuple[tuple[str, float], ...]  # who brings which part of the variance, the greatest first
    per_seam: float  # how much it grows for each mm that all seams are sewn deeper


def forecast(stages: Stages, sources: Sequence[Source], seam: SeamErrors, seen: Collection[int] = ()) -> list[Size]:
    """Sizes of the block between neighbouring and opposite corners of its outline.

    Units that no source tells of are taken to be exact. `seam` is of every stitch line on its own; a line takes the
    same depth from both pieces, and the outermost lines, still to be sewn, are counted too. `seen` are the joins within
    units that were measured after they were sewn: their depth is in those units' sides already.
    """
    corners = stages.corner_nodes()
    return distances(stages, corners, pairs_of(len(corners)), sources, seam, seen)


def distances(
    stages: Stages,
    nodes: tuple[int, ...],
    pairs: Sequence[tuple[int, int]],
    sources: Sequence[Source],
    seam: SeamErrors,
    seen: Collection[int] = (),
) -> list[Size]:
    """The same between pairs, by their numbers, of any nodes of the block's mesh."""
    answer = response(stages.mesh, nodes)
    by_seam = _by_seams(stages, answer)
    open_lines = np.array([line not in seen for line in range(by_seam.shape[1])], float)
    return [_size(stages, nodes, answer, by_seam, open_lines, pair, sources, seam) for pair in pairs]


def pairs_of(n: int) -> list[tuple[int, int]]:
    """Of n corners in order: sides, then the diagonals."""
    sides = [(i, (i + 1) % n) for i in range(n)]
    return sides + [(i, i + n // 2) for i in range(n // 2) if n > 3]


def _by_seams(stages: Stages, answer: Response) -> Floats:
    """(D, L): the sides that each stitch line moves, -1 mm per mm of its depth."""
    lines = stages.stitch_lines()
    matrix = np.zeros((answer.first_side[-1], max(lines.values()) + 1))
    for face, (ring, sides) in enumerate(zip(stages.mesh.rings, answer.sides, strict=True)):
        after = dict(zip(ring, (*ring[1:], ring[0]), strict=True))
        for i, (start, _) in enumerate(sides):
            matrix[answer.first_side[face] + i, lines[(start, after[start])]] = -1.0
    return matrix


def _size(
    stages: Stages,
    corners: tuple[int, ...],
    answer: Response,
    by_seam: Floats,
    open_lines: Floats,
    pair: tuple[int, int],
    sources: Sequence[Source],
    seam: SeamErrors,
) -> Size:
    a, b = pair
    away = stages.mesh.nodes_mm[corners[b]] - stages.mesh.nodes_mm[corners[a]]
    planned = math.hypot(*away)
    slope = (away / planned) @ (answer.moves[b] - answer.moves[a])  # (D,)
    mean, shares, doubt = 0.0, dict[str, float](), 0.0
    for source in sources:
        own, variance, common = source.errors, 0.0, np.zeros(len(source.errors.mean_mm))
        for places in source.places:
            by_side = np.array([float(slope[list(place)].sum()) for place in places])
            mean += float(by_side @ own.mean_mm)
            variance += float(by_side @ own.covariance_mm2 @ by_side)
            common += by_side
        shares[source.name] = variance
        doubt += float(common @ own.u_mean_mm2 @ common)
    lines = slope @ by_seam
    unseen = lines * open_lines
    shares["seams"] = seam.sd_mm**2 * float(unseen @ unseen)
    mean += float(unseen.sum()) * seam.mean_mm
    doubt += (float(unseen.sum()) * seam.u_mean_mm) ** 2
    whole = sum(shares.values())
    ranked = sorted(((name, one / whole if whole else 0.0) for name, one in shares.items()), key=lambda s: -s[1])
    return Size(pair, planned, planned + mean, math.sqrt(whole), math.sqrt(doubt), tuple(ranked), float(lines.sum()))
