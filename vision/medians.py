"""Medians of many small arrays: of all values, of each column, of neighbours in a row; values are finite.

NumPy's own `median` first asks whether values are, and means what it finds: that takes ten times as long.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median(values: NDArray[np.floating[Any]]) -> float:
    """The middle of all values of an array, or the mean of the middle two."""
    flat = values.ravel()
    half = flat.size // 2
    ordered = np.partition(flat, half)
    upper = float(ordered[half])
    return upper if flat.size % 2 else (float(ordered[:half].max()) + upper) / 2.0


def medians(values: NDArray[np.floating[Any]]) -> Floats:
    """(C,): the median of each column of (..., C)."""
    return np.array([median(values[..., c]) for c in range(values.shape[-1])])


def running_medians(values: Floats, size: int) -> Floats:
    """(..., N): the medians of `size` neighbours, an odd number, along the last axis; its ends go on beyond them."""
    reach = size // 2
    first, last = (np.repeat(values[..., end], reach, axis=-1) for end in (slice(0, 1), slice(-1, None)))
    around = sliding_window_view(np.concatenate([first, values, last], axis=-1), size, axis=-1)
    return np.asarray(np.partition(around, reach, axis=-1)[..., reach])
