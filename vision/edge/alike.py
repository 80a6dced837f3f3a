"""How far the sides of one picture differ in what one lens gives them all: their blur.

What a side's own blur may be is known badly before a picture is seen, and costs its edge's place a sixth where it is
free. But sides are seen through one lens. How far they differ is told by the sides themselves, more than the noise of
each accounts for (the between-study variance of R. DerSimonian, N. Laird, Meta-analysis in clinical trials, Controlled
Clinical Trials 7, 1986, from memory); a side is then expected to differ by so much. To do the same with the mat's gain
hid from a picture's misfit what a mosaic does to all edges alike.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST = 6  # sides that tell how far they differ: those of one unit hardly do
CHANCE = 2.0  # standard deviations
LEAST = 1e-12


def differing(inverse: Floats, gradient: Floats, own: Floats, u: Floats, which: int) -> float:
    """By how much sides may differ in their own unknown `which`: a standard deviation about 0, at most `u[which]`.

    The `inverse` (S, 7, 7) of the normal matrices and `gradient` (S, 7) at `own` (S, 7) hold that 0 give or take `u`
    (7,) was expected before.
    """
    usual, count = float(u[which]), len(own)
    if count < FEWEST:
        return usual
    variance = inverse[:, which, which]
    moved = own[:, which] + np.einsum("sy,sy->s", inverse[:, which], gradient)
    # What each side says by itself, without what was expected of it.
    told = np.maximum(1.0 / variance - 1.0 / usual**2, LEAST)
    says, total = moved / variance / told, float(told.sum())
    off = float(told @ (says - told @ says / total) ** 2)
    # As much as they may differ: two standard deviations of chance above what they seem to.
    more = off - (count - 1) + CHANCE * math.sqrt(2.0 * (count - 1))
    spread = max(more, 0.0) / max(total - float(told @ told) / total, LEAST) + 1.0 / total
    return min(math.sqrt(spread), usual)
