"""What to change, so that the block comes out as it was planned."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri

from projector.piecing.foresight.closing import Closing
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.piles import Pile
from projector.piecing.lengths import INCH_MM, difference_text, inches_text, mm_text

SURE = 2.0  # standard uncertainties that a size must be off, to be worth a change
LEAST_SHIFT_MM = 0.05
SAID_MM = 0.05  # a smaller difference is none at a sewing machine
ODD_RISK = 0.01  # of calling any unit of a pile odd though all are alike


def needle_shift_mm(sizes: Sequence[Size]) -> float:
    """How much deeper to sew every seam so that the sides come out as planned in the mean; 0 where none is called for.

    Negative: nearer to the edge.
    """
    off = np.array([size.expected_mm - size.planned_mm for size in sizes])
    slope = np.array([size.per_seam for size in sizes])
    u = float(np.median([size.u_mm for size in sizes]))
    if not np.any(slope) or abs(float(off.mean())) < SURE * u:
        return 0.0
    shift = -float(slope @ off) / float(slope @ slope)
    return shift if abs(shift) > LEAST_SHIFT_MM else 0.0


def odd_ones(pile: Pile) -> list[int]:
    """Units of a pile, counted from 0, of which a side lies too far from where the others have it; the worst first.

    Against the median, by the median absolute deviation (1.4826 times it is a normal distribution's SD), but never by
    less than the measurement's own uncertainty.
    """
    if len(pile) < 3:
        return []
    off = pile.offsets_mm - np.median(pile.offsets_mm, axis=0)
    spread = max(
        1.4826 * float(np.median(np.abs(off))), float(np.median(pile.u_mm))
    )  # of all sides: few units tell one
    worst = np.max(np.abs(off) / spread, axis=1)
    limit = -float(ndtri(ODD_RISK / (2.0 * off.size)))  # Bonferroni's bound over all sides of all units
    return [int(i) for i in np.argsort(-worst) if worst[i] > limit]


def size_words(size: Size, metric: bool) -> str:
    """One size: planned, expected, how sure."""
    told, fine = (mm_text, 1) if metric else (inches_text, 64)
    off = size.expected_mm - size.planned_mm
    spread = math.hypot(size.sd_mm, size.u_mm)
    if abs(off) < SAID_MM:
        way = "as planned"
    else:
        amount = mm_text(abs(off), 2) + (" over" if off > 0 else " under")
        way = amount if metric else difference_text(off, "over", "under")
    return f"{told(size.planned_mm, fine)} planned: {way}, give or take {mm_text(2.0 * spread)} (2 standard deviations)"


def closing_words(closing: Closing) -> str:
    """One circle: what it misses and what that does to the block."""
    degrees = math.degrees(closing.miss_rad)
    if abs(degrees) < 0.05:
        return f"{closing.corners} corners close the circle"
    does = "too much: the block will ruffle" if degrees > 0 else "too little: the block will cup"
    return f"{closing.corners} corners are {abs(degrees):.2f} degrees {does}"


def shift_words(shift_mm: float, metric: bool) -> str:
    """The needle's new place."""
    told = mm_text(abs(shift_mm), 2) if metric else f"{abs(shift_mm) / INCH_MM:.3f} in"
    return f"sew every seam {told} {'deeper' if shift_mm > 0 else 'nearer to the edge'} (move the needle)"
