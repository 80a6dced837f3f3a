"""When an edge may have been taken for a printed line's. Made-up bars, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.edge.mistaken import NEAR, mistaken_px
from vision.edge.model.ruled import NO_BARS, Bars
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]

ACROSS_PX = np.tile(np.arange(-3.0, 5.0), 6)
SEEN_PX = 0.8


def beside(middle_px: float, line: float, mat: float = 0.08) -> tuple[Bars, Window]:
    """A side on an even mat, and a grey bar along it whose light is `line` times a px, its middle so far outward."""
    n = len(ACROSS_PX)
    side, bare = np.zeros(n, np.int64), np.full((3, n), mat)
    starts = np.array([0, n], np.int64)
    nothing = np.empty((3, 3, 0))
    window = Window(
        side, np.zeros((n, 2)), ACROSS_PX, np.zeros(n), bare, bare, bare, bare, nothing, starts, starts[:1], count=1
    )
    every = np.full(n, 1.0)
    bars = Bars(
        np.arange(n), ACROSS_PX - middle_px, 0.1 * every, SEEN_PX**2 * every, every, every, np.full((3, n), line)
    )
    return bars, window


def cloth(light: float) -> Floats:
    return np.full((3, 1), light)


def test_without_a_line_nothing_is_added() -> None:
    _, window = beside(0.0, 0.2)
    assert mistaken_px(NO_BARS, window, np.zeros(1), cloth(0.11)) == pytest.approx([0.0])


def test_as_much_of_the_line_as_it_stands_out_more_than_the_cloth() -> None:
    """A bar of 0.2 px behind 0.8 px is 0.2 / (sqrt(2 pi) 0.8) = 0.0997 high; the cloth stands out by 0.03."""
    found = mistaken_px(*beside(0.0, 0.2), np.zeros(1), cloth(0.11))
    assert found == pytest.approx([SEEN_PX * 0.0997**2 / (0.0997**2 + 0.03**2)], rel=1e-3)
    assert mistaken_px(*beside(0.0, 0.2), np.zeros(1), cloth(0.6)) < 0.05 * found


def test_only_near_the_line() -> None:
    at, off = (mistaken_px(*beside(2.0, 0.2), np.array([there]), cloth(0.11)) for there in (2.0, 2.0 - NEAR * SEEN_PX))
    assert off == pytest.approx(at * np.exp(-0.5))
