"""Whether cloth was touched between two looks: if not, its line stays where it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STILL_MM = 0.3  # cloth whose corners moved by no more was not touched


def is_untouched(before_mat_mm: Floats, now_mat_mm: Floats) -> bool:
    """Whether an outline (N, 2) is what it was before, corner for corner.

    >>> square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    >>> is_untouched(square, square + 0.2), is_untouched(square, square + 0.4), is_untouched(square, square[:3])
    (True, False, False)
    """
    same = before_mat_mm.shape == now_mat_mm.shape
    return same and bool(np.abs(before_mat_mm - now_mat_mm).max() <= STILL_MM)
