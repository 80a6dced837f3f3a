"""Whether an edge may have been taken for that of a printed line which lies along it.

Where a line stands out from the mat by more than the cloth does, the light across is the line's with a little of the
cloth's. What is not known of the line (its width, its blur) is then as much as the cloth shows, and an edge anywhere on
the line explains what is seen about as well: of an edge there, no more is known than that it lies on the line.

That is so where line and cloth stand out the same way. As the edge moves outward, what is seen gains the cloth's light
and loses the line's: c - l(x) at the place x. If both are alike in sign, that changes sign where l is more than c, and
the same light is seen of several edges. If the line is bright and the cloth dark, or of another colour, cloth that
covers the line takes its light away as well, every place gives another light, and one edge alone explains what is seen.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.edge.model.ruled import Bars
from vision.edge.pixels.windows import Window

Floats = NDArray[np.float64]

NEAR = 1.5  # times a line's width as it is seen: an edge that was taken for the line's lies so far off


def mistaken_px(bars: Bars, window: Window, offsets_px: Floats, cloth: Floats, known: bool) -> Floats:
    """(S,): standard uncertainty of edges `offsets_px` (S,) outward of the window's lines, by the `bars` beside them.

    `cloth` (3, S) is its linear light. Of a mat that is not `known` but guessed, a line's light was not seen where
    cloth may cover it: it counts whole.
    """
    side, count = window.side[bars.pixels], window.count
    many, mat = np.maximum(np.bincount(side, minlength=count), 1), window.mat_about()

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(side, values, count) / many)

    seen_px = np.sqrt(mean(bars.variance))
    away_px = mean(window.across_px[bars.pixels] - bars.away_px) - offsets_px
    line = np.stack([mean(one) for one in bars.light]) / (math.sqrt(2.0 * math.pi) * np.maximum(seen_px, 1e-6))
    stands_out = np.sum((cloth - mat) ** 2, axis=0)
    alike = np.maximum(np.sum(line * (cloth - mat), axis=0), 0.0) ** 2 / np.maximum(stands_out, 1e-12)
    taken = alike if known else np.sum(line**2, axis=0)
    share = taken / np.maximum(stands_out + taken, 1e-12)
    return np.asarray(seen_px * share * np.exp(-0.5 * (away_px / (NEAR * np.maximum(seen_px, 1e-6))) ** 2))
