"""From some units to all that the same hand will cut: between what most of them lie, and how many are out at most."""

from __future__ import annotations

import math

from scipy.special import chdtri, nctdtrinc, ndtr, ndtri

from vision.statistics.capability import CONFIDENCE, Interval

MOST = 0.95  # of all units


def most_lie_between(
    count: int, mean: float, sd: float, share: float = MOST, confidence: float = CONFIDENCE
) -> Interval:
    """Between what at least `share` of all units lie, that are spread normally; of at least two values.

    Both the mean and the standard deviation are of `count` values, and neither is taken to be the truth: of few units
    the interval is wide.
    """
    reach = tolerance_factor(count, share, confidence) * sd
    return Interval(mean, mean - reach, mean + reach)


def tolerance_factor(count: int, share: float = MOST, confidence: float = CONFIDENCE) -> float:
    """Standard deviations on either side of the mean of `count` values, two or more.

    Source: W. G. Howe, Journal of the American Statistical Association 64 (1969) 610, as NIST/SEMATECH e-Handbook
    7.2.6.3 has it: an approximation, within 1 % of the exact factors from four values on.

    >>> round(tolerance_factor(43, 0.90, 0.99), 3)
    2.217
    """
    freedom = count - 1
    z = float(ndtri((1.0 + share) / 2.0))
    return z * math.sqrt(freedom * (1.0 + 1.0 / count) / float(chdtri(freedom, confidence)))


def share_beyond_at_most(count: int, mean: float, sd: float, limit: float, confidence: float = CONFIDENCE) -> float:
    """The greatest share of all units beyond `limit`, above the mean or below it, that `count` values speak for.

    The one-sided tolerance limit read backwards: sqrt(n) (limit - mean) / sd is non-central t with n - 1 degrees of
    freedom about sqrt(n) times the true distance (NIST/SEMATECH e-Handbook 7.2.6.3; Resnikoff and Lieberman 1957).
    """
    root = math.sqrt(count)
    away = float(nctdtrinc(count - 1, confidence, root * abs(limit - mean) / sd)) / root
    return float(ndtr(-away)) if math.isfinite(away) else 0.0
