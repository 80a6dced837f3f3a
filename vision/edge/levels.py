"""What two fits of light share: each bin's unknown levels are eliminated, and each pixel counts by its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HUBER = 2.5  # residuals beyond this many standard deviations count less


def pixel_weights(rest: Floats, variance: Floats, floor: Floats, together: Floats) -> tuple[Floats, Floats]:
    """Weights (3, N) of residuals (3, N), outliers counting less, and the share of each pixel's variance that is alone.

    Noise (`floor`, (3, 1) standard deviations) is alike in `together` (3, 1) neighbours and counts for fewer pixels;
    what is above noise is each pixel's own.
    """
    lone = variance / (variance + floor**2 * (together - 1.0))
    return np.minimum(1.0, HUBER * np.sqrt(variance) / np.maximum(np.abs(rest), 1e-9)) * lone / variance, lone


@dataclass(frozen=True, eq=False, slots=True)
class Eliminated:
    """Two levels in each of B bins and 3 channels, eliminated from X unknowns (a Schur complement)."""

    inverse: Floats  # (2, 2, 3, B) covariance of the levels
    top: Floats  # (2, 3, B) what pulls at them
    cross: Floats  # (2, X, 3, B)
    weighted: Floats  # (X, 3, N) the unknowns' slopes with the levels free, times the weights
    scores: Floats  # (X, B)


def eliminate(
    bin_starts: Ints, bins: Ints, shapes: Floats, slopes: Floats, rest: Floats, weights: Floats, u: Floats, off: Floats
) -> Eliminated:
    """Levels acting by `shapes` (2, 3, N) on residuals (3, N); their priors are `off` (2, 3, B) away, to within `u`.

    `bins` (N,) numbers the bins, whose first pixels are `bin_starts` (B,); `slopes` (X, 3, N) are the unknowns'.
    """
    acting, precision = weights * shapes, 1.0 / u**2
    a, b, c = (np.add.reduceat(acting[i] * shapes[j], bin_starts, axis=1) for i, j in ((0, 0), (0, 1), (1, 1)))
    a, c = a + precision[0], c + precision[1]
    inverse = np.array([[c, -b], [-b, a]]) / (a * c - b * b)
    pull = precision * off
    top = np.add.reduceat(acting * rest, bin_starts, axis=2) + pull
    cross = np.stack([np.add.reduceat(one * slopes, bin_starts, axis=2) for one in acting])
    share = np.einsum("lmkb,mxkb->lxkb", inverse, cross)
    weighted = (slopes - np.einsum("lkn,lxkn->xkn", shapes, share[..., bins])) * weights
    scores = np.add.reduceat(np.sum(weighted * rest, axis=1), bin_starts, axis=1)
    return Eliminated(inverse, top, cross, weighted, scores - np.einsum("lxkb,lkb->xb", share, pull))
