"""How noisy plain sides are, told by how their pixels' pulls scatter along them.

What noise and the model's own error are taken for weighs the pixels; whether that is right the pulls of a side's
stretches tell, which scatter about nothing by as much as there really is of both. One side has few stretches: all plain
sides of a picture together tell what is usual there, and each then counts for as much as it has stretches (a variance
moderated by those of all; G. K. Smyth, Linear models and empirical Bayes methods, 2004, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PULLED = 4  # unknowns of a side, which the fit has pulled to nothing: offset, turn, bow, and how its light falls off
USUAL_COUNTS = 10.0  # stretches, as which what is usual in the picture counts beside a side's own
FEWEST = 20.0  # stretches that tell what is usual


def line_variances(
    assumed: Floats, scattered: Floats, stretches: NDArray[np.int64], plain: NDArray[np.bool_]
) -> Floats:
    """(S, 3): variances of offset, turn and bow, from those by the weights and those by the scatter, (S, 3) each.

    Of sides that are not `plain` (S,), and where few stretches tell, the greater of both.
    """
    freedom = np.maximum(stretches - PULLED, 0.0)
    ratio = scattered * (stretches / np.maximum(freedom, 1.0))[:, None] / assumed
    known = float(freedom[plain].sum())
    greater = np.maximum(assumed * ratio, assumed)
    if known < FEWEST:
        return np.asarray(greater)
    usual = float(freedom[plain] @ ratio[plain].mean(axis=1)) / known
    moderated = (USUAL_COUNTS * usual + freedom[:, None] * ratio) / (USUAL_COUNTS + freedom[:, None])
    return np.asarray(np.where(plain[:, None], assumed * moderated, greater))
