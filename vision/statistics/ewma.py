"""The exponentially weighted moving average: a line through scattered values that shows a small, lasting change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WEIGHT = 0.2  # of the newest value; the handbook names 0.2 to 0.3 as usual
REACH = 3.0  # standard deviations of the average


def ewma(values: Sequence[float], start: float, weight: float = WEIGHT) -> Floats:
    """(N,) after each value: `weight` of it and the rest of the average before, which begins at `start`.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.4.

    >>> ewma([52.0, 47.0], 50.0, 0.3).round(2).tolist()
    [50.6, 49.52]
    """
    averages = accumulate(values, lambda before, value: before + weight * (value - before), initial=start)
    return np.array(list(averages)[1:], float)


def ewma_reach(sigma: float, weight: float = WEIGHT) -> float:
    """How far from its start the average comes by chance, after many values of standard deviation `sigma`.

    >>> round(50.0 + ewma_reach(2.0539, 0.3), 4)
    52.5884
    """
    return REACH * sigma * math.sqrt(weight / (2.0 - weight))
