"""The size of a block from what is known of its sides and seams: linear propagation with covariances."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.foresight.response import Response, response
from projector.piecing.patchwork.stages import Stages

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class SideErrors:
    """What is known of the sides of one kind of patch: how far each lies outward of where it should, finished.

    `mean_mm` (N,), `covariance_mm2` (N, N) from patch to patch, `u_mean_mm2` (N, N) of the mean itself, which all
    patches of the kind share.
    """

    mean_mm: Floats
    covariance_mm2: Floats
    u_mean_mm2: Floats


@dataclass(frozen=True, slots=True)
class SeamErrors:
    """How much deeper than planned seams are sewn: in the mean, from seam to seam, and the mean's own doubt."""

    mean_mm: float = 0.0
    sd_mm: float = 0.0
    u_mean_mm: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Size:
    """A distance between two corners of the finished block."""

    corners: tuple[int, int]  # of the block's outline
    planned_mm: float
    expected_mm: float
    sd_mm: float  # from block to block
    u_mm: float  # of the expected size: what is not known of the means
    shares: tuple[tuple[str, float], ...]  # who brings which part of the variance, the greatest first
    per_seam: float  # how much it grows for each mm that all seams are sewn deeper


def forecast(
    stages: Stages, kinds: Mapping[str, tuple[int, ...]], errors: Mapping[str, SideErrors], seam: SeamErrors
) -> list[Size]:
    """Sizes of the block between neighbouring and opposite corners of its outline.

    Parameters
    ----------
    kinds : mapping
        Name of a kind -> numbers of its patches in the block. The sides of a patch run as its corners do.
    errors : mapping
        Name of a kind -> what is known of its sides.
    seam : SeamErrors
        Of every stitch line on its own; a line takes the same depth from both pieces, and the outermost lines, still
        to be sewn, are counted too.
    """
    corners = stages.corner_nodes()
    answer = response(stages.mesh, corners)
    by_seam = _by_seams(stages, answer)
    return [_size(stages, corners, answer, by_seam, pair, kinds, errors, seam) for pair in _pairs(len(corners))]


def _pairs(n: int) -> list[tuple[int, int]]:
    """Sides, then the diagonals."""
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
    pair: tuple[int, int],
    kinds: Mapping[str, tuple[int, ...]],
    errors: Mapping[str, SideErrors],
    seam: SeamErrors,
) -> Size:
    a, b = pair
    away = stages.mesh.nodes_mm[corners[b]] - stages.mesh.nodes_mm[corners[a]]
    planned = math.hypot(*away)
    slope = (away / planned) @ (answer.moves[b] - answer.moves[a])  # (D,)
    mean, shares, doubt = 0.0, dict[str, float](), 0.0
    for name, own in errors.items():
        variance, common = 0.0, np.zeros(len(own.mean_mm))
        for face in kinds[name]:
            by_side = slope[answer.first_side[face] : answer.first_side[face + 1]]
            mean += float(by_side @ own.mean_mm)
            variance += float(by_side @ own.covariance_mm2 @ by_side)
            common += by_side
        shares[name] = variance
        doubt += float(common @ own.u_mean_mm2 @ common)
    lines = slope @ by_seam
    shares["seams"] = seam.sd_mm**2 * float(lines @ lines)
    per_seam = float(lines.sum())
    mean += per_seam * seam.mean_mm
    doubt += (per_seam * seam.u_mean_mm) ** 2
    whole = sum(shares.values())
    ranked = sorted(((name, one / whole if whole else 0.0) for name, one in shares.items()), key=lambda s: -s[1])
    return Size(pair, planned, planned + mean, math.sqrt(whole), math.sqrt(doubt), tuple(ranked), per_seam)
