"""What most of some values are like, whatever the rest are: how the bare mat is told from cloth that lies on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats32 = NDArray[np.float32]

FEW = 64  # values whose median is their commonest


def commonest(values: Floats32) -> float:
    """The commonest value: the middle of the narrowest interval that holds a quarter of them (half-sample mode)."""
    return _mode(np.sort(values), FEW)


@compiled
def _mode(ordered: Floats32, few: int) -> float:
    """The median of the values that half of half of them, and so on, crowd together in: `few` at most."""
    first, end = 0, len(ordered)
    while end - first > few:
        half, best = (end - first) // 2, first
        for k in range(first, end - half):
            if ordered[k + half] - ordered[k] < ordered[best + half] - ordered[best]:
                best = k
        first, end = best, best + half
    middle = (first + end) // 2
    return float(ordered[middle] if (end - first) % 2 else (ordered[middle - 1] + ordered[middle]) / np.float32(2.0))


def bare_spread(values: Floats32, mode: float | None = None) -> float:
    """Standard deviation of the commonest part of `values`, cloth and stains left out; `mode` is its `commonest`."""
    ordered = np.sort(values)
    near = _third_nearest(ordered, np.float32(_mode(ordered, FEW) if mode is None else mode))
    # A third of the picture is taken to be bare mat at least; of a normal distribution's distances from its
    # middle, the share within z standard deviations is erf(z / sqrt 2): a third of them within 0.4307.
    return max(near / 0.4307, 2e-4)


@compiled
def _third_nearest(ordered: Floats32, mode: np.float32) -> float:
    """How far from `mode` the third of the values lies that is nearest to it."""
    third, least = len(ordered) // 3, np.float32(np.inf)
    for k in range(len(ordered) - third):
        least = min(least, max(mode - ordered[k], ordered[k + third] - mode))
    return float(least)
