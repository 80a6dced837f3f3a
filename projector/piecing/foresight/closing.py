"""Do the angles around a point close the circle? What they miss of 360 degrees makes a block cup or ruffle."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.patchwork.stages import Stages

Floats = NDArray[np.float64]

FEWEST = 3  # corners around a point, or wedges around a hole


@dataclass(frozen=True, eq=False, slots=True)
class Closing:
    """A point of the block, or the middle of a hole, and by how much what is sewn around it misses 360 degrees."""

    place_mm: Floats  # (2,)
    corners: int  # measured ones that meet there
    miss_rad: float  # positive: too much, the block ruffles; negative: too little, it cups
    sd_rad: float  # from block to block


@dataclass(frozen=True, slots=True)
class Corner:
    """A measured corner of a unit where it lies in the block: its node, how far its angle is off, and the spread."""

    node: int
    off_rad: float
    sd_rad: float


def closings(stages: Stages, corners: Sequence[Corner]) -> list[Closing]:
    """Of every inner node at which measured corners meet, and of every hole; the greatest miss first."""
    at: Mapping[int, list[Corner]] = defaultdict(list)
    for corner in corners:
        at[corner.node].append(corner)
    rims = stages.mesh.boundaries(range(len(stages.mesh.rings)))
    outside = {node for ring in rims for node in ring}
    found = [_closing(stages, [node], group) for node, group in at.items() if node not in outside]
    for ring in rims[1:] if len(rims) > 1 else []:
        found.append(_closing(stages, ring, [corner for node in ring for corner in at[node]]))
    return sorted((one for one in found if one.corners >= FEWEST), key=lambda one: -abs(one.miss_rad))


def _closing(stages: Stages, nodes: Sequence[int], corners: Sequence[Corner]) -> Closing:
    place = stages.mesh.nodes_mm[list(nodes)].mean(axis=0)
    miss, variance = sum(one.off_rad for one in corners), sum(one.sd_rad**2 for one in corners)
    return Closing(place, len(corners), miss, math.sqrt(variance))
