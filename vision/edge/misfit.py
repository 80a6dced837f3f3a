"""How wrong the model of an edge's light is in this picture: what is left of the light, alike beside all sides.

Noise is another beside each side. What a camera does that the model does not know (its mosaic, smoothing, sharpening,
compression) is left beside all of them, at the same distances from the edge. The fit has taken as much of it for the
edge's place as it could, and none of that is left to be seen; most likely it is about as much as what is. So what is
left, as a distance by which edges would have to be off to leave as much, is what edges may be off by, all together.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.light import OFFSET
from vision.edge.model.predicting import Light
from vision.edge.weighing import Weighed

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

FIRST_PX, STEP_PX, STEPS = -4.0, 0.5, 20  # outward of the edges
FEWEST = 3  # sides that have something in common
LEAST = 1e-9


@compiled
def add_rests(to: Floats, edge_px: Singles, light: Light, of: Weighed, s: int, n: int) -> None:
    """Add the n pixels of side `s` to sums `to` (3, S, K) over steps outward.

    Of the luma that is left, of its slope by the edge's place, and of weights.
    """
    for i in range(n):
        place = (edge_px[i] - FIRST_PX) / STEP_PX
        if 0.0 <= place < STEPS:
            k, weight = int(place), of.weights[0, i]
            to[0, s, k] += weight * of.rest[0, i]
            to[1, s, k] += weight * light.slopes[OFFSET, 0, i]
            to[2, s, k] += weight


def misfit_px(rests: Floats, telling: NDArray[np.bool_]) -> float:
    """By how much the edges of all sides may be off together, from sums (3, S, K) of those that are `telling` (S,).

    From products of each two sides, which noise leaves alone, sides counting by how little they have left of their own;
    less a standard deviation of what chance makes of that.
    """
    left, slope, weight = rests[:, telling]
    if len(weight) < FEWEST:
        return 0.0
    size = np.sqrt(np.sum((slope / np.maximum(weight, LEAST)) ** 2, axis=1, keepdims=True))
    off = left / np.maximum(weight, LEAST) / np.maximum(size, LEAST)  # px
    counts = 1.0 / np.maximum(np.sum(off**2, axis=1), LEAST)
    pairs = float(counts.sum() ** 2 - np.sum(counts**2))
    shared = float(np.sum((counts @ off) ** 2)) - float(counts.sum())
    chance = math.sqrt(2.0 * pairs / STEPS)
    return math.sqrt(max(shared - chance, 0.0) / pairs)
