"""The parabola through points by least squares, for compiled loops."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats = NDArray[np.float64]


@compiled
def parabola(t: Floats, values: Floats, weights: Floats) -> Floats:
    """(3,) factors of 1, t, t^2 through points (N,) with these weights; t is best near -1 to 1."""
    sums, right = np.zeros(5), np.zeros(3)
    for i in range(len(t)):
        power = weights[i]
        for k in range(5):
            sums[k] += power
            if k < 3:
                right[k] += power * values[i]
            power *= t[i]
    n, a, b, c, d = sums
    # Cramer's rule.
    of_0, of_1, of_2 = b * d - c * c, a * d - b * c, a * c - b * b
    det = n * of_0 - a * of_1 + b * of_2
    found = np.empty(3)
    found[0] = (of_0 * right[0] - of_1 * right[1] + of_2 * right[2]) / det
    found[1] = (-of_1 * right[0] + (n * d - b * b) * right[1] - (n * c - a * b) * right[2]) / det
    found[2] = (of_2 * right[0] - (n * c - a * b) * right[1] + (n * b - a * a) * right[2]) / det
    return found
