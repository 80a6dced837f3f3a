"""How a pile's spread compares with its tolerance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, ndtr, ndtri

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure, and between which two numbers it lies with a stated confidence."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Capability:
    """Tolerance over six standard deviations, and the nearer limit's distance over three.

    From the standard deviation of the whole pile, as the NIST handbook has it; where Cp is kept for the spread from one
    unit to the next alone, these are called Pp and Ppk.
    """

    count: int
    mean: float
    sd: float
    cp: Interval
    cpk: Interval
    outside: float  # share of units out of the limits, were they spread normally


def capability(values: Sequence[float], lower: float, upper: float) -> Capability | None:
    """Of at least two values that differ; None of fewer, or where nothing varies."""
    array = np.asarray(values, float)
    sd = float(array.std(ddof=1)) if len(array) > 1 else 0.0
    return capability_of(len(array), float(array.mean()), sd, lower, upper) if sd > 0.0 else None


def capability_of(
    count: int, mean: float, sd: float, lower: float, upper: float, confidence: float = CONFIDENCE
) -> Capability:
    """From mean and standard deviation of `count` values.

    Source: NIST/SEMATECH e-Handbook, 6.1.6: the interval of Cp from chi-squared, that of Cpk by A. F. Bissell,
    Applied Statistics 39 (1990) 331, a normal approximation that is rough for fewer than 25 values.

    >>> capability_of(50, 16.0, 2.0, 8.0, 20.0).cp.value
    1.0
    """
    freedom, rest = count - 1, 1.0 - confidence
    cp, cpk = (upper - lower) / (6.0 * sd), min(upper - mean, mean - lower) / (3.0 * sd)
    low, high = (math.sqrt(float(chdtri(freedom, above)) / freedom) for above in (1.0 - rest / 2.0, rest / 2.0))
    give = float(-ndtri(rest / 2.0)) * math.sqrt(1.0 / (9.0 * count) + cpk**2 / (2.0 * freedom))
    outside = float(ndtr((lower - mean) / sd) + ndtr((mean - upper) / sd))
    return Capability(
        count, mean, sd, Interval(cp, cp * low, cp * high), Interval(cpk, cpk - give, cpk + give), outside
    )
