"""Whether widths or angles creep from cut to cut: said before a pile is spoilt.

The rule is a two-sided cumulative sum with k = 0.5 and h = 5 standard deviations (Page 1954; Montgomery, "Introduction
to statistical quality control", table of run lengths; NIST/SEMATECH e-Handbook 6.3.2.3): of cuts that do not drift one
in 465 raises a false alarm, and a step of one standard deviation is noticed after 10.4 cuts in the mean.

Neither a hand's usual place nor its scatter is known beforehand, so each cut is held against the mean and the standard
deviation of those before it: t = (x - mean) / (s sqrt(n / (n - 1))), n - 1 cuts before, is Student's with n - 2 degrees
of freedom, and the normal deviate of equal probability is exactly standard normal and independent of the earlier ones
(Hawkins 1987, "Self-starting CUSUM charts for location and scale", The Statistician 36), so that the false alarms stay
those of the table from the third cut on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtr

SLACK, LIMIT = 0.5, 5.0  # k and h, in standard deviations
MOST = 4.0  # a single cut counts no more: one wild cut is no drift
LEAST = 2  # cuts before the first that is judged


@dataclass(frozen=True, slots=True)
class Drift:
    """A creep: `per_cut` in the values' unit, from the cut where the sum began to rise."""

    per_cut: float
    since: int  # index of the first cut of it


def drift_of(values: Sequence[float], finest: float = 0.0) -> Drift | None:
    """Whether the last cut raises the alarm; None if it does not.

    `finest` is what values are measured to (a standard uncertainty): their scatter is taken to be no less.
    """
    sums = cusum(deviates(values, finest), SLACK)
    if not len(sums) or float(np.max(sums[-1])) <= LIMIT:
        return None
    rising = sums[:, int(np.argmax(sums[-1]))]
    still = np.flatnonzero(rising[:-1] == 0.0)
    since = int(still[-1]) + 1 if len(still) else 0
    since = min(since, len(values) - 1 - LEAST)
    recent = np.asarray(values[since:], float)
    return Drift(float(np.polyfit(np.arange(len(recent)), recent, 1)[0]), since)


def deviates(values: Sequence[float], finest: float = 0.0) -> NDArray[np.float64]:
    """(N,) each value against those before it, as a standard normal deviate; 0 for the first two."""
    found = np.zeros(len(values))
    for n in range(LEAST + 1, len(values) + 1):
        before = np.asarray(values[: n - 1], float)
        sd = max(float(before.std(ddof=1)), finest, 1e-12)
        student = (values[n - 1] - float(before.mean())) / (sd * (n / (n - 1)) ** 0.5)
        found[n - 1] = float(np.clip(ndtri(stdtr(n - 2, student)), -MOST, MOST))
    return found


def cusum(deviates: Sequence[float] | NDArray[np.float64], slack: float) -> NDArray[np.float64]:
    """(N, 2): the upper and the lower sum after each value.

    >>> cusum([0, 0, 0, 1, 2, 3], 0.5)[:, 0].tolist()
    [0.0, 0.0, 0.0, 0.5, 2.0, 4.5]
    """
    sums, high, low = [], 0.0, 0.0
    for one in deviates:
        high, low = max(0.0, high + float(one) - slack), max(0.0, low - float(one) - slack)
        sums.append((high, low))
    return np.asarray(sums, float).reshape(-1, 2)
