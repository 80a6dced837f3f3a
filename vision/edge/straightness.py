"""How straight sides are expected to be before they are seen: they were cut along a ruler.

Of a side that stands out pixels tell the bow many times better than that. Where cloth shows in a few places only, its
bow, place and direction are hardly told apart, and what is known of cuts tells the place.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# A cut is straight to a tenth of a millimetre, and cloth lies straight to a thousandth of its length (common practice,
# no source).
CUT_MM, LIES = 0.1, 0.001


def usual_bow_px(lengths_mm: Floats, px_per_mm: Floats) -> Floats:
    """(S,): by how much sides of such lengths are bowed, a standard deviation about 0."""
    return np.asarray((CUT_MM + LIES * lengths_mm) * px_per_mm)


def straight_precision(bow_px: Floats, usual_px: Floats) -> Floats:
    """(S,): one over the variance of a bow about 0 as it is expected, of a side that looks bowed by `bow_px`.

    Some cuts do wander, and cloth is stretched: a bow that is seen is added to the usual one, so that it is not
    explained away.
    """
    return np.asarray(1.0 / (usual_px**2 + bow_px**2))
