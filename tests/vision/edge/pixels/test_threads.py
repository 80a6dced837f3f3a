"""Rows of cloth along a side: as even as their pixels' noise has it, or not. Drawn from random numbers."""

from __future__ import annotations

import numpy as np
import pytest

from vision.edge.pixels.noise import Noise
from vision.edge.pixels.threads import SHARE, threads_along
from vision.edge.pixels.windows import Window

NOISE = Noise((0.005, 0.005, 0.005), (1.0, 4.0, 4.0))
LONG, DEEP = 240, 14


def sides(threads: float, count: int = 12) -> Window:
    """Sides before whose line cloth is 0.5 bright, its pixels 0.008 off, its rows along the side by `threads` more."""
    rng = np.random.default_rng(3)
    along, across = (one.ravel() for one in np.meshgrid(np.arange(LONG) - 119.5, 1.3 - np.arange(DEEP), indexing="ij"))
    rows = threads * rng.normal(size=(count, DEEP))
    # Brighter towards one end and towards the line: shade is no thread.
    luma = [
        0.5 + 1e-4 * along + 2e-3 * across + rng.normal(0.0, 0.008, LONG * DEEP) + np.tile(row, LONG) for row in rows
    ]
    one = len(along)
    seen, nothing = np.zeros((3, count * one), np.float32), np.zeros((3, count * one), np.float32)
    seen[0] = np.concatenate(luma)
    starts = np.arange(0, count * one + 1, 6 * DEEP)
    where = np.tile(across, count), np.tile(along, count)
    return Window(
        np.repeat(np.arange(count), one),
        np.zeros((count * one, 2)),
        *where,
        seen,
        nothing,
        nothing,
        nothing,
        np.empty((3, 3, 0), np.float32),
        starts,
        starts[:-1] // one,
        count,
    )


def test_rows_of_lone_pixels_cost_nothing_and_threads_what_they_vary_by() -> None:
    plain = np.ones(12, bool)
    assert threads_along(sides(0.0), NOISE, plain).mean() < 0.1
    # Rows of 240 pixels are 0.008 / sqrt(240) off by their noise: threads twice that make five times the variance.
    twice = threads_along(sides(2.0 * 0.008 / np.sqrt(LONG)), NOISE, plain)
    assert twice.mean() == pytest.approx(4.0 * SHARE, rel=4.0 * np.sqrt(2.0 / (12 * 5)))  # 4 standard errors
    assert np.all(threads_along(sides(0.001), NOISE, ~plain) == 0.0)
