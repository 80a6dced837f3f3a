"""Loops over pixels as machine code: compiled when first called, and kept beside the module for the next start."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")

# Sums may be taken in any order, a product and its sum be rounded once; what is not finite keeps its rules.
FAST = frozenset({"reassoc", "contract", "arcp", "nsz"})


def compiled(loop: Callable[P, R]) -> Callable[P, R]:
    """`loop` of arrays and numbers as machine code, on one core, without holding up other threads."""
    fast: Callable[P, R] = njit(cache=True, nogil=True, fastmath=set(FAST), error_model="numpy")(loop)
    return fast
