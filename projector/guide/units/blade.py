"""How far beside the line a blade runs: the constant part of many cuts, learned while they are made.

What is learned from, and its sign
----------------------------------
A cut is led along the edge of a ruler that lies on the line of light. `b` is how far beside that edge the blade runs,
positive away from the ruler; the cut lies at C = L + b + e, L the line as it was shown and e the hand's own scatter.

A unit's line is laid from the last end as it was *measured* (E + m), at the unit's width w, and not at the end of a
row of lines laid all at once: L = E + m + w, counted into the strip. So a unit is W = C - E = w + b' + e + m wide, with
b' = b where the ruler lies on the unit's side and b' = -b where it lies on the strip's: a constant offset does not
cancel between two cuts, each unit is off by its own. The same b' is seen at the strip: its new end lies at
C = L + b' + e, the error m of the old end left out. A right hand cuts along the right edge of a ruler that its left
hand holds down on the strip; its worked end is the right one, so that units come out narrower by b, and truing cuts
take off less by b. For a left hand all of it is mirrored, and b has the same sign.

A line that is shifted is shown at L = E + m + w + s; what is measured is still C - L, so that the learner goes on as
if nothing had happened, and what is left to shift is the difference of what was learned and what is shifted already.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HAND_SD_MM, HAND_WEIGHT = 0.3, 4.0  # a hand's scatter before anything is known of this one, and its worth in cuts
USUAL_MM, USUAL_SD_MM = 0.15, 0.25  # half of a blade of 0.3 mm, and how far blades, tilts and eyes differ from it
SLIPS, SLIP_RANGE_MM = 0.05, 8.0  # a slip is as rare as that, and may be anywhere in so wide a range
IS_SLIP = 0.5  # less probably the hand's usual scatter than this is a slip
ROUNDS = 30
LEAST_CUTS = 5  # fewer cannot tell a slip from the rest
SURE_U = 2.0
LEAST_SHIFT_MM = 0.1  # light does not land surer than that, and nobody sets a ruler so


@dataclass(frozen=True, slots=True)
class Offset:
    """How far beside the line the blade runs, positive away from the ruler, and its standard uncertainty."""

    mm: float
    u_mm: float
    cuts: int  # that it was learned from
    slips: int  # cuts that were left out


@dataclass(frozen=True, slots=True)
class Blade:
    """What is known of a hand and its blade. `beside_mm` are cuts from the line as it was shown, in order."""

    beside_mm: tuple[float, ...] = ()
    shift_mm: float = 0.0  # by which lines are shown nearer to the ruler's side, as the person agreed to
    declined_mm: float | None = None  # a shift that the person did not want

    def after(self, beside_mm: float) -> Blade:
        """One cut more."""
        return replace(self, beside_mm=(*self.beside_mm, beside_mm))

    @property
    def offset(self) -> Offset | None:
        return offset_of(self.beside_mm)

    @property
    def offer(self) -> Offset | None:
        """What is worth a shift: surely more (2 u) than is shifted already, or than was declined."""
        found = self.offset
        if found is None or found.cuts < LEAST_CUTS:
            return None
        known = [self.shift_mm] if self.declined_mm is None else [self.shift_mm, self.declined_mm]
        news = min(abs(found.mm - one) for one in known)
        return found if news > SURE_U * found.u_mm and news >= LEAST_SHIFT_MM else None

    def accepted(self) -> Blade:
        """Lines are shifted from now on by what is known now."""
        found = self.offset
        return self if found is None else replace(self, shift_mm=found.mm, declined_mm=None)

    def declined(self) -> Blade:
        found = self.offset
        return self if found is None else replace(self, declined_mm=found.mm)

    @property
    def slipped(self) -> bool:
        """Whether the last cut was a slip of the hand."""
        return len(self.beside_mm) >= LEAST_CUTS and not bool(usual(self.beside_mm)[-1] >= IS_SLIP)


NEW_HAND = Blade()


def offset_of(beside_mm: Sequence[float]) -> Offset | None:
    """The constant part of cuts beside their lines; None without a cut.

    Notes
    -----
    A cut is the hand's usual scatter about b, or with a small share a slip that may be anywhere (a normal
    distribution mixed with an even one: Hogg, Bovy and Lang 2010, "Data analysis recipes: fitting a model to data",
    section 3). b, the scatter and the probability of each cut to be a slip are found in turn (expectation
    maximization), from the median on. Beforehand b is 0.15 mm, give or take 0.25 (half a blade's thickness; common
    practice, no source), the scatter 0.3 mm with the weight of four cuts. With many cuts neither matters:
    u is scatter / sqrt(cuts).

    Examples
    --------
    >>> offset_of([0.2, 0.3, 0.1, 0.2, 2.4, 0.2]).slips
    1
    """
    if not len(beside_mm):
        return None
    return _solved(np.asarray(beside_mm, float))[0]


def usual(beside_mm: Sequence[float]) -> Floats:
    """(N,) how probably each cut is the hand's usual scatter, and no slip."""
    return _solved(np.asarray(beside_mm, float))[1]


def _solved(cuts_mm: Floats) -> tuple[Offset, Floats]:
    middle, variance = float(np.median(cuts_mm)), HAND_SD_MM**2
    weights = np.ones(len(cuts_mm))
    for _ in range(ROUNDS):
        of_hand = np.exp(-((cuts_mm - middle) ** 2) / (2.0 * variance)) / math.sqrt(2.0 * math.pi * variance)
        weights = (1.0 - SLIPS) * of_hand / ((1.0 - SLIPS) * of_hand + SLIPS / SLIP_RANGE_MM)
        worth, usually = float(weights.sum()) / variance, 1.0 / USUAL_SD_MM**2
        middle = (float(weights @ cuts_mm) / variance + USUAL_MM * usually) / (worth + usually)
        scatter = HAND_WEIGHT * HAND_SD_MM**2 + float(weights @ (cuts_mm - middle) ** 2)
        variance = scatter / (HAND_WEIGHT + max(float(weights.sum()) - 1.0, 0.0))
    u_mm = 1.0 / math.sqrt(float(weights.sum()) / variance + 1.0 / USUAL_SD_MM**2)
    kept = int(np.sum(weights >= IS_SLIP))
    return Offset(middle, u_mm, kept, len(cuts_mm) - kept), np.asarray(weights)
