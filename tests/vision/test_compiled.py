"""A loop of machine code gives the same whether it was compiled just now or kept, and whatever was loaded before it."""

from __future__ import annotations

import numpy as np
from numba import jit

from vision.compiled import compiled


def _callee(values, factor):
    """Too long to be taken into its callers by the compiler's own choice."""
    total = 0.0
    for i in range(len(values)):
        for j in range(len(values)):
            a, b = values[i] * factor, values[j] + factor
            total += np.sin(a) * np.cos(b) + np.exp(-a * b) + np.log1p(a * a) - np.arctan2(a, b)
            if total > a:
                total -= np.sqrt(abs(b)) * np.tanh(a)
    return total


def test_no_loop_calls_a_copy_of_another() -> None:
    """Which of several copies is called depends on what was loaded first, and each sums in an order of its own."""
    options = compiled(_callee).targetoptions  # type: ignore[attr-defined]
    callee = jit(**options)(_callee)

    def caller(values):
        return callee(values, 1.5) + callee(values, 2.5) * callee(values, 0.5)

    loop = jit(**options)(caller)
    loop(np.arange(4.0))
    made = loop.inspect_llvm(loop.signatures[0])
    called = [line for line in made.splitlines() if " call " in line and "7_callee" in line]
    assert called == []
