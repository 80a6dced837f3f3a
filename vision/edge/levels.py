"""What is known of the cloth's level in each bin along a line, and what two fits of light do with such levels.

The levels of a bin are eliminated from the equations of the other unknowns (a Schur complement), their prior being
the spread of levels along the line, so that plain cloth pays nothing for them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Reals = NDArray[Any]  # single or double precision
Ints = NDArray[np.int64]

HUBER = 2.5  # residuals beyond this many standard deviations count less
FREE = 0.3  # of the encoded range: nothing is known
LEAST_SPREAD = 1e-3  # of the encoded range, that the levels of any cloth vary along a line
FEWEST = 2  # pixels that tell a level
LOWEST, HIGHEST = np.array([[0.0], [-0.5], [-0.5]]), np.array([[1.0], [0.5], [0.5]])  # luma and colour differences


def pixel_weights(rest: Reals, variance: Reals, floor: Reals, together: Reals) -> tuple[Reals, Reals]:
    """Weights (C, N) of residuals (C, N), outliers counting less, and the share of each pixel's variance that is alone.

    Noise (`floor`, (C, 1) standard deviations) is alike in `together` (C, 1) neighbours and counts for fewer pixels;
    what is above noise is each pixel's own.
    """
    lone = variance / (variance + floor**2 * (together - 1.0))
    return np.minimum(1.0, HUBER * np.sqrt(variance) / np.maximum(np.abs(rest), 1e-9)) * lone / variance, lone


@dataclass(frozen=True, eq=False, slots=True)
class Eliminated:
    """One or two levels (L) in each of B bins and C channels, eliminated from the equations of X unknowns."""

    inverse: Floats  # (L, L, C, B) covariance of the levels
    top: Floats  # (L, C, B) what pulls at them
    cross: Floats  # (L, X, C, B)
    normal: Floats  # (C, X, X), of each channel
    scores: Floats  # (X, B): the gradient, bin by bin


def eliminate(
    bin_starts: Ints, shapes: Reals, slopes: Reals, rest: Reals, weights: Reals, u: Floats, off: Floats
) -> Eliminated:
    """Levels acting by `shapes` (L, C, N) on residuals (C, N); their priors are `off` (L, C, B) away, to within `u`.

    `bin_starts` (B,) are the bins' first pixels; `slopes` (X, C, N) are the unknowns'.
    """
    acting, weighted, precision = weights * shapes, weights * slopes, 1.0 / u**2
    if len(shapes) == 1:
        inverse = 1.0 / (np.add.reduceat(acting * shapes, bin_starts, axis=2) + precision)[None]
    else:
        a, b, c = (np.add.reduceat(acting[i] * shapes[j], bin_starts, axis=1) for i, j in ((0, 0), (0, 1), (1, 1)))
        a, c = a + precision[0], c + precision[1]
        inverse = np.array([[c, -b], [-b, a]]) / (a * c - b * b)
    top = np.add.reduceat(acting * rest, bin_starts, axis=2) + precision * off
    cross = np.stack([np.add.reduceat(weighted * shape, bin_starts, axis=2) for shape in shapes]).astype(np.float64)
    share = np.einsum("lmkb,mxkb->lxkb", inverse, cross)
    normal = np.stack(
        [
            weighted[:, k] @ slopes[:, k].T
            - sum(share[level, :, k] @ cross[level, :, k].T for level in range(len(top)))
            for k in range(len(rest))
        ]
    )
    scores = np.add.reduceat(np.sum(weighted * rest, axis=1), bin_starts, axis=1)
    return Eliminated(inverse, top, cross, normal, scores - np.einsum("lxkb,lkb->xb", share, top))


@dataclass(frozen=True, eq=False, slots=True)
class Levels:
    """The cloth's encoded levels beside one line, and of a print their slopes across, in B bins and C channels."""

    values: Floats  # (L, C, B)
    mean: Floats  # (L, C, 1) along the line
    u: Floats  # (L, C, 1): how they spread along it

    @staticmethod
    def seen(seen: Reals, inside: NDArray[np.bool_], starts: Ints, slopes_u: Floats | None) -> Levels:
        """From pixels (C, N) surely `inside` (N,); of a print the slopes across are as great as `slopes_u` (C,)."""
        count = np.add.reduceat(inside.astype(np.float64), starts)
        total = np.add.reduceat((seen * inside).astype(np.float64), starts, axis=1)
        mean = total.sum(axis=1, keepdims=True) / max(float(count.sum()), 1.0)
        values = np.where(count > FEWEST, total / np.maximum(count, 1.0), mean)
        levels = Levels(values[None], mean[None], np.full_like(mean, FREE)[None])
        if slopes_u is None:
            return levels
        return levels._with(np.zeros_like(values)[None], np.zeros_like(mean)[None], slopes_u[None, :, None])

    def spread_as(self, known: Levels | None) -> Levels:
        """These levels, with the mean and the spread along the line that another fit has learnt."""
        return self if known is None else replace(known, values=self.values)

    def following(self, free: Eliminated, change: Floats) -> Levels:
        """After a step of the unknowns by `change` (X,); what is seen of their mean and spread is learnt."""
        top = free.top - np.einsum("lxkb,x->lkb", free.cross, change)
        values = self.values + np.einsum("lmkb,mkb->lkb", free.inverse, top)
        cloth = np.clip(values[0], LOWEST, HIGHEST)
        bottom = 1.0 / free.inverse[0, 0]
        weight = np.minimum(bottom, np.median(bottom, axis=1, keepdims=True))
        weight = weight / weight.sum(axis=1, keepdims=True)
        mean = np.sum(weight * cloth, axis=1, keepdims=True)
        count = cloth.shape[1]
        variance = np.sum(weight * (cloth - mean) ** 2, axis=1, keepdims=True) * count / max(count - 1.0, 1.0)
        spread = np.sqrt(variance + LEAST_SPREAD**2)
        learnt = Levels(cloth[None], mean[None], spread[None])
        return learnt if len(values) == 1 else learnt._with(np.clip(values[1:], -1.0, 1.0), self.mean[1:], self.u[1:])

    def _with(self, values: Floats, mean: Floats, u: Floats) -> Levels:
        """These levels, and slopes across."""
        mine, theirs = (self.values, self.mean, self.u), (values, mean, u)
        return Levels(*(np.concatenate(pair) for pair in zip(mine, theirs, strict=True)))
