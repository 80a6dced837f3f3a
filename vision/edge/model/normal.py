"""The normal distribution looked up in fine steps, to a few parts in a million: loops ask for it millions of times."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from vision.compiled import compiled

FINE, FARTHEST = 128.0, 7.0  # steps of a standard deviation, and how many of these the tables reach
PLACES = np.arange(-FARTHEST, FARTHEST, 1.0 / FINE)
RISING, DENSITIES = ndtr(PLACES), np.exp(-0.5 * PLACES**2) / math.sqrt(2.0 * math.pi)
LAST = len(PLACES) - 1.001


@compiled
def rising(z: float) -> float:
    """The share of a normal distribution below `z` standard deviations."""
    place = max(0.0, min((z + FARTHEST) * FINE, LAST))
    low = np.int32(place)  # as many at a time as lanes of a processor take
    return float(RISING[low] + (place - low) * (RISING[low + 1] - RISING[low]))


@compiled
def density(z: float) -> float:
    """Its density there."""
    place = max(0.0, min((z + FARTHEST) * FINE, LAST))
    low = np.int32(place)
    return float(DENSITIES[low] + (place - low) * (DENSITIES[low + 1] - DENSITIES[low]))
