"""How the range of n normal numbers is spread: the constants of range charts, from their defining integrals."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

STEP = 0.02  # of the integrals; halving it changes the sixth digit of nothing
REACH = 9.0  # standard deviations


@lru_cache(maxsize=64)
def mean_range(n: int) -> float:
    """d2: mean range of n numbers of a standard normal distribution (n at least 2).

    Source: L. H. C. Tippett, Biometrika 17 (1925): the integral of 1 - F^n - (1 - F)^n.

    >>> abs(mean_range(2) - 2.0 / math.sqrt(math.pi)) < 1e-12
    True
    """
    below = ndtr(np.arange(-REACH, REACH + STEP, STEP))
    return float(np.sum(1.0 - below**n - (1.0 - below) ** n) * STEP)


@lru_cache(maxsize=64)
def sd_range(n: int) -> float:
    """d3: standard deviation of that range, from the range's density.

    >>> abs(sd_range(2) - math.sqrt(2.0 - 4.0 / math.pi)) < 1e-9
    True
    """
    width = np.arange(0.0, 2.0 * REACH, STEP)[:, None]
    least = np.arange(-REACH, REACH, 4.0 * STEP)[None, :]
    between = ndtr(least + width) - ndtr(least)
    both = np.exp(-(least**2 + (least + width) ** 2) / 2.0) / (2.0 * math.pi)
    density = n * (n - 1) * np.sum(both * between ** (n - 2), axis=1) * 4.0 * STEP
    square = float(np.sum(width[:, 0] ** 2 * density) * STEP)
    return math.sqrt(square - mean_range(n) ** 2)


def mean_range_once(n: int) -> float:
    """d2*: what turns a single range into the root of an unbiased variance, sqrt(d2^2 + d3^2).

    Source: A. J. Duncan, Quality Control and Industrial Statistics, 5th ed. 1986, table D3, row of one range (from
    memory).

    >>> round(mean_range_once(2), 4)
    1.4142
    """
    return math.hypot(mean_range(n), sd_range(n))
