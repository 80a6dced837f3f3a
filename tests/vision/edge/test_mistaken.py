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
    assert mistaken_px(NO_BARS, window, np.zeros(1), cloth(0.11), True) == pytest.approx([0.0])


def test_as_much_of_the_line_as_it_stands_out_more_than_the_cloth() -> None:
    """A bar of 0.2 px behind 0.8 px is 0.2 / (sqrt(2 pi) 0.8) = 0.0997 high; the cloth stands out by 0.03."""
    found = mistaken_px(*beside(0.0, 0.2), np.zeros(1), cloth(0.11), True)
    assert found == pytest.approx([SEEN_PX * 0.0997**2 / (0.0997**2 + 0.03**2)], rel=1e-3)
    assert mistaken_px(*beside(0.0, 0.2), np.zeros(1), cloth(0.6), True) < 0.05 * found


def test_only_near_the_line() -> None:
    places = np.array([2.0]), np.array([2.0 - NEAR * SEEN_PX])
    at, off = (mistaken_px(*beside(2.0, 0.2), place, cloth(0.11), True) for place in places)
    assert off == pytest.approx(at * np.exp(-0.5))


def test_cloth_that_is_darker_than_the_mat_is_not_taken_for_a_bright_line() -> None:
    """As it covers the line, both take light away, and no two edges give the same light."""
    dark = beside(0.0, 0.2, mat=0.14)
    assert mistaken_px(*dark, np.zeros(1), cloth(0.11), True) == pytest.approx([0.0])
    # Where the line's own light there was never seen, it may be taken for more or less cloth.
    guessed = mistaken_px(*dark, np.zeros(1), cloth(0.11), False)
    assert guessed == pytest.approx([SEEN_PX * 0.0997**2 / (0.0997**2 + 0.03**2)], rel=1e-3)


def test_of_a_line_of_another_colour_counts_what_is_the_cloths() -> None:
    """Line (1, 1, 1), cloth that stands out by (1, 0, 0): a share of a third of its square."""
    bars, window = beside(0.0, 0.2)
    blue = np.array([[0.11], [0.08], [0.08]])
    line2 = 0.0997**2
    assert mistaken_px(bars, window, np.zeros(1), blue, True) == pytest.approx(
        [SEEN_PX * line2 / (line2 + 0.03**2)], rel=1e-3
    )
