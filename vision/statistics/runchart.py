"""A figure in the order measured: control limits, and the run rules that call a shift or a trend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from vision.statistics.ranges import mean_range, sd_range

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Limits:
    """Of an individuals chart: centre and three standard deviations of what varies from one unit to the next."""

    centre: float
    sigma: float
    range_mean: float  # of neighbours
    range_upper: float

    @property
    def lower(self) -> float:
        return self.centre - 3.0 * self.sigma

    @property
    def upper(self) -> float:
        return self.centre + 3.0 * self.sigma


def limits_of(values: Sequence[float]) -> Limits:
    """From the mean moving range of two neighbours, d2 = 2 / sqrt(pi); at least two values.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, which rounds d2 to 1.128.

    >>> limits_of([1.0, 2.0, 1.0]).range_mean
    1.0
    """
    array = np.asarray(values, float)
    if len(array) < 2:
        raise ValueError("limits need two values or more")
    return limits_from(float(array.mean()), float(np.abs(np.diff(array)).mean()))


def limits_by_sd(centre: float, sd: float) -> Limits:
    """Where neighbours tell nothing, as several readings of one unit: three standard deviations of all, no ranges."""
    return Limits(centre, sd, math.nan, math.nan)


def limits_from(centre: float, range_mean: float) -> Limits:
    """The same from the mean, and the mean moving range of two neighbours."""
    d2 = mean_range(2)
    return Limits(centre, range_mean / d2, range_mean, range_mean * (1.0 + 3.0 * sd_range(2) / d2))


class Rule(Enum):
    """Run rules, by what a person reads. The first four: Western Electric, Statistical Quality Control Handbook, 1956.

    The last is test 3 of L. S. Nelson, Journal of Quality Technology 16 (1984) 237.
    """

    BEYOND = "one beyond three sigma"
    TWO_OF_THREE = "two of three beyond two sigma on one side"
    FOUR_OF_FIVE = "four of five beyond one sigma on one side"
    EIGHT_ON_ONE_SIDE = "eight in a row on one side"
    SIX_ONE_WAY = "six in a row rising or falling"

    @property
    def calls(self) -> str:
        """What it is a sign of, in one word."""
        return {Rule.BEYOND: "outlier", Rule.SIX_ONE_WAY: "trend"}.get(self, "shift")


ALONE = (Rule.BEYOND,)  # the rule that asks for no order
WESTERN_ELECTRIC = (Rule.BEYOND, Rule.TWO_OF_THREE, Rule.FOUR_OF_FIVE, Rule.EIGHT_ON_ONE_SIDE)

# How many of how many lie how far out, on one side: (how many, of how many, sigma).
RUNS = {
    Rule.BEYOND: (1, 1, 3.0),
    Rule.TWO_OF_THREE: (2, 3, 2.0),
    Rule.FOUR_OF_FIVE: (4, 5, 1.0),
    Rule.EIGHT_ON_ONE_SIDE: (8, 8, 0.0),
}
ONE_WAY = 6
LOOK_BACK = max(ONE_WAY, *(of for _, of, _ in RUNS.values()))  # points, to tell a run's beginning from its going on


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that holds from the point `first` on: it is met by the run of `length` points that ends there."""

    rule: Rule
    first: int  # place of the point, from 0
    length: int
    upward: bool

    def words(self, number: int | None = None) -> str:
        """What is said of it; points count from 1, where the point has no number of its own."""
        way = {
            "trend": "rising" if self.upward else "falling",
            "shift": "upward" if self.upward else "downward",
            "outlier": "high" if self.upward else "low",
        }[self.rule.calls]
        return f"{self.rule.calls} {way} at number {number or self.first + 1}: {self.rule.value}"


def broken(values: Floats, centre: float, sigma: float, rule: Rule) -> tuple[Flags, Flags]:
    """(..., N) twice: at which points a rule is met upward and downward. `values` is (..., N), in order.

    A point that does not lie out itself meets no rule: the last one of a run must.
    """
    z = np.asarray(values, float) - centre
    if rule is Rule.SIX_ONE_WAY:
        steps = np.diff(z, axis=-1, prepend=z[..., :1])
        return _runs(steps > 0.0, ONE_WAY - 1, ONE_WAY - 1), _runs(steps < 0.0, ONE_WAY - 1, ONE_WAY - 1)
    count, of, out = RUNS[rule]
    return _runs(z > out * sigma, count, of), _runs(z < -out * sigma, count, of)


def _runs(flags: Flags, count: int, of: int) -> Flags:
    """Where the last `of` flags hold at least `count`, the last itself being one of them."""
    total = np.cumsum(flags, axis=-1)
    before = np.zeros_like(total)
    before[..., of:] = total[..., :-of]
    return np.asarray(flags & (total - before >= count))


def signals_at_end(
    values: Sequence[float], centre: float, sigma: float, rules: Sequence[Rule] = tuple(Rule)
) -> tuple[Signal, ...]:
    """Those of `signals` that begin at the last point; no rule looks at more than `LOOK_BACK` points before it."""
    skipped = max(0, len(values) - 1 - LOOK_BACK)
    found = signals(values[skipped:], centre, sigma, rules)
    return tuple(replace(one, first=one.first + skipped) for one in found if one.first + skipped == len(values) - 1)


def signals(
    values: Sequence[float], centre: float, sigma: float, rules: Sequence[Rule] = tuple(Rule)
) -> tuple[Signal, ...]:
    """Every beginning of a rule's being met, in the order of the points; a run that goes on is one signal.

    >>> [one.words() for one in signals([0.0, 0.1, -0.1, 4.0], 0.0, 1.0)]
    ['outlier high at number 4: one beyond three sigma']
    """
    found = []
    for rule in rules:
        length = ONE_WAY if rule is Rule.SIX_ONE_WAY else RUNS[rule][1]
        for upward, flags in zip((True, False), broken(np.asarray(values, float), centre, sigma, rule), strict=True):
            starts = np.flatnonzero(flags & ~np.concatenate([[False], flags[:-1]]))
            found += [Signal(rule, int(i), length, upward) for i in starts]
    return tuple(sorted(found, key=lambda one: (one.first, list(Rule).index(one.rule))))
