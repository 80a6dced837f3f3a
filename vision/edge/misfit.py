"""How wrong the model of an edge's light is in this picture: what is left of the light, alike along or beside sides.

Noise is another beside each side. What a camera does that the model does not know (its mosaic, smoothing, sharpening,
compression) is left beside all of them, at the same distances from the edge. The fit has taken as much of it for the
edge's place as it could, and none of that is left to be seen; most likely it is about as much as what is. So what is
left, as a distance by which edges would have to be off to leave as much, is what edges may be off by, all together.

What only one side has, alike along all of it (its cut, its fabric, compression's blocks), is told in the same way by
its two halves, and moves that side alone.
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
USUAL_PX = 0.01  # of one side by itself, before a picture is seen: it counts as much as one side
LEAST = 1e-9


@compiled
def add_rests(to: Floats, edge_px: Singles, light: Light, of: Weighed, s: int, n: int) -> None:
    """Add the n pixels of side `s` to sums `to` (3, S, 2, K) over steps outward, its two halves each.

    Of the luma that is left, of its slope by the edge's place, and of weights.
    """
    for i in range(n):
        place = (edge_px[i] - FIRST_PX) / STEP_PX
        if 0.0 <= place < STEPS:
            k, half, weight = int(place), 2 * i // n, of.weights[0, i]
            to[0, s, half, k] += weight * of.rest[0, i]
            to[1, s, half, k] += weight * light.slopes[OFFSET, 0, i]
            to[2, s, half, k] += weight


def misfit_px(rests: Floats, telling: NDArray[np.bool_]) -> float:
    """By how much the edges of all sides may be off together, from sums (3, S, 2, K) of those `telling` (S,).

    From products of each two sides, which noise leaves alone, sides counting by how little they have left of their own;
    less a standard deviation of what chance makes of that.
    """
    left, slope, weight = rests[:, telling].sum(axis=2)
    if len(weight) < FEWEST:
        return 0.0
    size = np.sqrt(np.sum((slope / np.maximum(weight, LEAST)) ** 2, axis=1, keepdims=True))
    off = left / np.maximum(weight, LEAST) / np.maximum(size, LEAST)  # px
    counts = 1.0 / np.maximum(np.sum(off**2, axis=1), LEAST)
    pairs = float(counts.sum() ** 2 - np.sum(counts**2))
    shared = float(np.sum((counts @ off) ** 2)) - float(counts.sum())
    chance = math.sqrt(2.0 * pairs / STEPS)
    return math.sqrt(max(shared - chance, 0.0) / pairs)


def own_misfit_px(rests: Floats, telling: NDArray[np.bool_], together_px: float) -> float:
    """By how much the edge of each side may be off by itself, besides what all have in common.

    From products of each side's two halves, which noise leaves alone; sides count by how little noise hides.
    """
    left, slope, weight = rests[:, telling]  # (S, 2, K)
    if len(weight) < FEWEST:
        return USUAL_PX
    told = np.all(weight > LEAST, axis=1)
    both = np.maximum(weight.sum(axis=1), LEAST)
    size2 = np.maximum(np.sum((slope.sum(axis=1) / both) ** 2, axis=1), LEAST)
    off = left / np.maximum(weight, LEAST)
    products = np.sum(off[:, 0] * off[:, 1] * told, axis=1) / size2
    noise = np.sum(told / np.maximum(weight[:, 0] * weight[:, 1], LEAST), axis=1) / size2**2
    counts = 1.0 / np.maximum(noise, LEAST)
    seen = max(float(counts @ products / counts.sum()) - together_px**2, 0.0)
    return math.sqrt((len(counts) * seen + USUAL_PX**2) / (len(counts) + 1.0))
