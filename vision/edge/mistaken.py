"""Whether an edge may have been taken for that of a printed line which lies along it.

Where a line stands out from the mat by more than the cloth does, the light across is the line's with a little of the
cloth's. What is not known of the line (its width, its blur) is then as much as the cloth shows, and an edge anywhere on
the line explains what is seen about as well: of an edge there, no more is known than that it lies on the line.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.edge.model.ruled import Bars
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]

NEAR = 1.5  # times a line's width as it is seen: an edge that was taken for the line's lies so far off


def mistaken_px(bars: Bars, window: Window, offsets_px: Floats, cloth: Floats) -> Floats:
    """(S,): standard uncertainty of edges `offsets_px` (S,) outward of the window's lines, by the `bars` beside them.

    `cloth` (3, S) is its linear light.
    """
    side, count = window.side[bars.pixels], window.count
    many, beside = np.maximum(np.bincount(side, minlength=count), 1), np.diff(window.side_ends)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(side, values, count) / many)

    seen_px = np.sqrt(mean(bars.variance))
    away_px = mean(window.across_px[bars.pixels] - bars.away_px) - offsets_px
    line = np.stack([mean(one) for one in bars.light]) / (math.sqrt(2.0 * math.pi) * np.maximum(seen_px, 1e-6))
    mat = np.zeros((3, count))
    mat[:, beside > 0] = np.add.reduceat(window.bare, window.side_ends[:-1][beside > 0], axis=1) / beside[beside > 0]
    stands_out = np.sum((cloth - mat) ** 2, axis=0)
    share = np.sum(line**2, axis=0) / np.maximum(stands_out + np.sum(line**2, axis=0), 1e-12)
    return np.asarray(seen_px * share * np.exp(-0.5 * (away_px / (NEAR * np.maximum(seen_px, 1e-6))) ** 2))
