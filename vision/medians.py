"""Medians of many small arrays: of all values, of each column, of neighbours in a row; values are finite.

NumPy's own `median` first asks whether values are, and means what it finds: that takes ten times as long.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats = NDArray[np.float64]
Real = float | np.floating[Any]

HALF = np.float32(0.5)


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
    return runs_medians(np.ascontiguousarray(values).reshape(-1, values.shape[-1]), size).reshape(values.shape)


@compiled
def runs_medians(values: Floats, size: int) -> Floats:
    """(M, N): of each of M rows, as `running_medians`."""
    many, reach, found, around = values.shape[1], size // 2, np.empty_like(values), np.empty(size)
    for m in range(len(values)):
        for k in range(size):  # sorted as it is filled
            value, place = values[m, min(max(k - reach, 0), many - 1)], k
            while place > 0 and around[place - 1] > value:
                around[place] = around[place - 1]
                place -= 1
            around[place] = value
        for n in range(many):
            if n:  # one of them goes, another comes
                gone, value, place = values[m, max(n - 1 - reach, 0)], values[m, min(n + reach, many - 1)], 0
                while place < size - 1 and around[place] != gone:
                    place += 1
                while place < size - 1 and around[place + 1] < value:
                    around[place] = around[place + 1]
                    place += 1
                while place > 0 and around[place - 1] > value:
                    around[place] = around[place - 1]
                    place -= 1
                around[place] = value
            found[m, n] = around[reach]
    return found


@compiled
def part_at(values: Floats, many: int, place: int) -> None:
    """Bring the first `many` of values (N,) in an order in which the lowest come before `place`: Hoare's selection.

    NumPy's own sorting and its medians take a second each to compile.
    """
    first, last = 0, many - 1
    while first < last:
        pivot, i, j = values[place], first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if j < place:
            first = i
        if place < i:
            last = j


@compiled
def middle_of(values: Floats, many: int) -> float:
    """The median of the first `many` of values (N,), which come into another order; NaN of none."""
    if many == 0:
        return np.nan
    half = many // 2
    part_at(values, many, half)
    upper = lower = values[half]
    if many % 2 == 0:
        lower = values[0]
        for i in range(half):
            lower = max(lower, values[i])
    return float((lower + upper) / 2.0)


@compiled
def middle_between(values: NDArray[np.floating[Any]], low: Real, high: Real) -> Real:
    """The middle of values, the upper of two, or the bound that it lies beyond; to 1/65536 of what is between these.

    By halving: to count what lies below takes so little time that no order is needed. `high` of no values.
    """
    for _ in range(17):
        middle = HALF * (low + high)
        below = np.int32(0)
        for value in values:
            below += np.int32(value <= middle)
        if 2 * below > len(values):
            high = middle
        else:
            low = middle
    return high
