"""From some units to all that the same hand will cut: between what most of them lie, and how many are out at most."""

from __future__ import annotations

import math

from scipy.special import chdtri, nctdtrinc, ndtr, ndtri

from vision.statistics.capability import CONFIDENCE, Capability, Interval

MOST = 0.95  # of all units
FAR = 30.0  # standard deviations: from here on the mean's own doubt is nothing beside that of the deviation


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


def share_outside_at_most(able: Capability, lower: float, upper: float, confidence: float = CONFIDENCE) -> float:
    """The greatest share out of two limits: of both sides together, each with half of the risk, at most 1."""
    each = (1.0 + confidence) / 2.0
    beyond = (
        share_beyond_at_most(able.count, able.mean, able.sd, limit, each, above)
        for limit, above in ((lower, False), (upper, True))
    )
    return min(1.0, sum(beyond))


def share_beyond_at_most(
    count: int, mean: float, sd: float, limit: float, confidence: float = CONFIDENCE, above: bool = True
) -> float:
    """The greatest share of all units above a limit, or below it, that the mean and deviation of `count` speak for.

    The one-sided tolerance limit read backwards: sqrt(n) (limit - mean) / sd is non-central t with n - 1 degrees of
    freedom about sqrt(n) times the true distance (NIST/SEMATECH e-Handbook 7.2.6.3; Resnikoff and Lieberman 1957).
    """
    root, freedom = math.sqrt(count), count - 1
    apart = (limit - mean if above else mean - limit) / sd
    if abs(apart) > FAR:
        away = apart * math.sqrt(float(chdtri(freedom, confidence if apart > 0.0 else 1.0 - confidence)) / freedom)
    else:
        away = float(nctdtrinc(freedom, confidence, root * apart)) / root
    return float(ndtr(-away))
