"""Attribute sampling by an acceptable quality limit: how many of a pile to measure, and when to take it as it is.

Single sampling, normal inspection. Source: MIL-STD-105E (1989, public domain), tables I and II-A; the same cells in
ISO 2859-1:1999.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr

LETTERS = "ABCDEFGHJKLMNPQR"
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
LIMITS = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)  # percent

# Table I, general inspection levels: the greatest pile of each row, and its letter on levels I, II and III.
PILES = (8, 15, 25, 50, 90, 150, 280, 500, 1_200, 3_200, 10_000, 35_000, 150_000, 500_000)
LEVELS = {"I": "AABCCDEFGHJKLMN", "II": "ABCDEFGHJKLMNPQ", "III": "BCDEFGHJKLMNPQR"}

# Table II-A is the same along its diagonals, where size times limit is about the same: from the first one with a plan.
ALONG = (0, "up", "down", 1, 2, 3, 5, 7, 10, 14, 21)
FIRST = len(LIMITS) - 2  # letter's place + limit's place: A at 6.5 %


@dataclass(frozen=True, slots=True)
class SamplingPlan:
    """Measure `size` of `pile` units; take the pile if at most `accept` do not fit, else measure all."""

    pile: int
    limit_percent: float
    letter: str
    size: int
    accept: int

    @property
    def reject(self) -> int:
        return self.accept + 1

    @property
    def measures_all(self) -> bool:
        return self.size >= self.pile

    def taken(self, bad_share: float) -> float:
        """How probable it is that a pile with such a share of bad units is taken (binomial).

        >>> round(SamplingPlan(400, 1.0, "H", 50, 1).taken(0.01), 4)
        0.9106
        """
        return float(bdtr(self.accept, self.size, bad_share))

    def words(self) -> str:
        """What to do, for the person."""
        if self.measures_all:
            return f"measure all {self.pile}"
        return (
            f"measure {self.size} of these {self.pile}, drawn at random: if {self.accept} or fewer do not fit take the "
            f"pile, if {self.reject} or more do not, measure all"
        )


def sampling_plan(pile: int, limit_percent: float, level: str = "II") -> SamplingPlan:
    """The plan for a pile of at least two units and one of the standard's `LIMITS`.

    Where the table has an arrow, its plan is taken, letter and size with it. Raises ValueError.

    >>> sampling_plan(60, 4.0)
    SamplingPlan(pile=60, limit_percent=4.0, letter='E', size=13, accept=1)
    """
    if pile < 2:
        raise ValueError("a pile to draw from has two units or more")
    if limit_percent not in LIMITS:
        raise ValueError(f"{limit_percent:g} is no limit of the standard; take one of {limits_text()}")
    column = LIMITS.index(limit_percent)
    row = LETTERS.index(LEVELS[level][bisect_left(PILES, pile)])
    while isinstance(cell := _cell(row, column), str):
        row += 1 if cell == "down" else -1
    return SamplingPlan(pile, limit_percent, LETTERS[row], SIZES[row], cell)


def limits_text() -> str:
    """The standard's limits, as they are written."""
    return ", ".join(f"{limit:g}" for limit in LIMITS)


def _cell(row: int, column: int) -> int | str:
    """Acceptance number, or the arrow's direction; above the first row there is no plan to be had."""
    place = row + column - FIRST
    cell = "down" if place < 0 else "up" if place >= len(ALONG) else ALONG[place]
    return "down" if (row, cell) == (0, "up") else cell


def drawn(pile: int, size: int, seed: int) -> tuple[int, ...]:
    """Which of `pile` units to measure, counted from 1, each as likely as any other; the same seed draws the same.

    >>> drawn(5, 9, 1)
    (1, 2, 3, 4, 5)
    """
    chosen = np.random.default_rng(seed).choice(pile, min(size, pile), replace=False)
    return tuple(sorted(int(i) + 1 for i in chosen))
