"""The gauge study: how much of what is seen to vary is the measuring itself.

Source of method, words and limits: AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III-B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, fdtrc

from vision.statistics.capability import CONFIDENCE, Interval
from vision.statistics.ranges import mean_range, mean_range_once

Floats = NDArray[np.float64]

POOLED_FROM = 0.25  # interaction less sure than this is taken as repeatability (the manual's usual risk; from memory)
WIDTHS = 6.0  # standard deviations that stand for all of a spread (the manual's 4th edition; 5.15 before)


class Grade(Enum):
    """The manual's rule of thumb, of a percentage of the tolerance or of all variation."""

    GOOD = "good enough"  # under 10 %
    PERHAPS = "may be good enough"  # 10 to 30 %
    POOR = "not good enough"  # over 30 %


def grade_of(percent: float) -> Grade:
    """What a percentage means.

    >>> [grade_of(percent).name for percent in (9.9, 10.0, 30.0, 30.1)]
    ['GOOD', 'PERHAPS', 'PERHAPS', 'POOR']
    """
    return Grade.GOOD if percent < 10.0 else Grade.PERHAPS if percent <= 30.0 else Grade.POOR


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the analysis of variance."""

    sum_of_squares: float
    freedom: int

    @property
    def mean_square(self) -> float:
        return self.sum_of_squares / self.freedom if self.freedom else 0.0


@dataclass(frozen=True, slots=True)
class Anova:
    """Two-way analysis of variance with interaction: parts by people, each pair measured so many rounds."""

    people: Row
    parts: Row
    interaction: Row
    equipment: Row

    @property
    def interaction_by_chance(self) -> float:
        """How probable so great an interaction is where there is none (F test against equipment)."""
        if not self.interaction.freedom or not self.equipment.mean_square:
            return 1.0
        f = self.interaction.mean_square / self.equipment.mean_square
        return float(fdtrc(self.interaction.freedom, self.equipment.freedom, f))

    @property
    def error(self) -> Row:
        """Equipment and interaction in one row."""
        return Row(
            self.interaction.sum_of_squares + self.equipment.sum_of_squares,
            self.interaction.freedom + self.equipment.freedom,
        )


@dataclass(frozen=True, slots=True)
class Study:
    """What a gauge study found: standard deviations, in the unit of the readings.

    What cannot be told is None: people's part where there was one person, the parts' where there was one part.
    """

    parts: int
    people: int
    rounds: int
    repeatability: float
    people_alone: float | None
    interaction: float | None
    part: float | None
    freedom: int  # of the repeatability

    @property
    def reproducibility(self) -> float | None:
        """What differs from person to person, also by part."""
        return None if self.people_alone is None else math.hypot(self.people_alone, self.interaction or 0.0)

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together; of one person repeatability alone."""
        return math.hypot(self.repeatability, self.reproducibility or 0.0)

    @property
    def total(self) -> float | None:
        return None if self.part is None else math.hypot(self.gauge, self.part)

    @property
    def percent_of_total(self) -> float | None:
        """The gauge's standard deviation against all that was seen to vary."""
        return None if not self.total else 100.0 * self.gauge / self.total

    def percent_of_tolerance(self, width: float) -> float:
        """Six standard deviations of the gauge against a tolerance, from lower to upper limit."""
        return 100.0 * WIDTHS * self.gauge / width

    @property
    def categories(self) -> int | None:
        """How many groups of parts the gauge can tell apart, 1.41 part / gauge, rounded down; 5 or more are wanted."""
        return None if self.part is None or not self.gauge else math.floor(1.41 * self.part / self.gauge)

    def repeatability_between(self, confidence: float = CONFIDENCE) -> Interval:
        """With its interval, from chi-squared."""
        rest = 1.0 - confidence
        low, high = (
            self.repeatability * math.sqrt(self.freedom / float(chdtri(self.freedom, above)))
            for above in (rest / 2.0, 1.0 - rest / 2.0)
        )
        return Interval(self.repeatability, low, high)


def anova(readings: Floats) -> Anova:
    """Of readings (parts, people, rounds); at least two rounds. Raises ValueError."""
    p, k, r = _shape(readings)
    mean = readings.mean()
    cells, by_part, by_person = readings.mean(axis=2), readings.mean(axis=(1, 2)), readings.mean(axis=(0, 2))
    parts = k * r * float(np.sum((by_part - mean) ** 2))
    people = p * r * float(np.sum((by_person - mean) ** 2))
    both = r * float(np.sum((cells - by_part[:, None] - by_person[None, :] + mean) ** 2))
    equipment = float(np.sum((readings - cells[:, :, None]) ** 2))
    return Anova(Row(people, k - 1), Row(parts, p - 1), Row(both, (p - 1) * (k - 1)), Row(equipment, p * k * (r - 1)))


def by_variance(readings: Floats) -> Study:
    """The study by analysis of variance: readings (parts, people, rounds), each part measured alike often by each.

    An interaction of people and parts that may well be chance is pooled with the repeatability. A component that comes
    out negative is 0. Raises ValueError for fewer than two rounds.
    """
    p, k, r = _shape(readings)
    rows = anova(readings)
    pooled = rows.interaction_by_chance > POOLED_FROM
    own, error = (rows.error, rows.error) if pooled else (rows.equipment, rows.interaction)
    return Study(
        p,
        k,
        r,
        math.sqrt(own.mean_square),
        _root((rows.people.mean_square - error.mean_square) / (p * r)) if k > 1 else None,
        (0.0 if pooled else _root((rows.interaction.mean_square - own.mean_square) / r)) if k > 1 else None,
        _root((rows.parts.mean_square - error.mean_square) / (k * r)) if p > 1 else None,
        own.freedom,
    )


def by_range(readings: Floats) -> Study:
    """The study by averages and ranges, which knows no interaction: the manual's older way, good as a check.

    Its constants K1, K2 and K3 are 1 / d2 and 1 / d2*, here unrounded. Raises ValueError for fewer than two rounds.
    """
    p, k, r = _shape(readings)
    ranges = np.ptp(readings, axis=2)
    repeatability = float(ranges.mean()) / mean_range(r)
    people = float(np.ptp(readings.mean(axis=(0, 2)))) / mean_range_once(k) if k > 1 else 0.0
    alone = _root(people**2 - repeatability**2 / (p * r)) if k > 1 else None
    part = float(np.ptp(readings.mean(axis=(1, 2)))) / mean_range_once(p) if p > 1 else None
    return Study(p, k, r, repeatability, alone, 0.0 if k > 1 else None, part, p * k * (r - 1))


def _shape(readings: Floats) -> tuple[int, int, int]:
    if readings.ndim != 3 or min(readings.shape) < 1 or readings.shape[2] < 2 or not np.all(np.isfinite(readings)):
        raise ValueError("readings are (parts, people, rounds), with two rounds or more and none missing")
    p, k, r = readings.shape
    return p, k, r


def _root(variance: float) -> float:
    return math.sqrt(max(variance, 0.0))
