"""The normal equations of many sides that have some unknowns in common: an arrow that is solved side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import OWN

Floats = NDArray[np.float64]

UNSEEN = np.diag([1e-3, 1e-3, 1e-3, 0.0, 0.0, 0.0, 0.0])  # px^-2: a line of which no pixel tells lies within some 30 px


@dataclass(frozen=True, eq=False)
class Equations:
    """Normal equations: each side's (S, 7 + C, 7 + C) and (S, 7 + C), and the common prior."""

    normal: Floats
    gradient: Floats
    prior_normal: Floats  # (C, C)
    prior_gradient: Floats  # (C,)

    @cached_property
    def parts(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """The own's inverse, how they follow the common ones, these ones' equations without them, what mixes both."""
        n = len(OWN)
        inverse, mixed = own_inverse(self.normal), self.normal[:, :n, n:]
        follow = -inverse @ mixed  # (S, 7, C)
        reduced = self.prior_normal + (self.normal[:, n:, n:] + np.swapaxes(mixed, 1, 2) @ follow).sum(axis=0)
        right = self.prior_gradient + (
            self.gradient[:, n:] + np.einsum("sxc,sx->sc", follow, self.gradient[:, :n])
        ).sum(axis=0)
        return inverse, follow, reduced, right, mixed

    def step(self, least: Floats | float = -np.inf, most: Floats | float = np.inf) -> tuple[Floats, Floats]:
        """Gauss-Newton's change of the sides' own unknowns (S, 7) and of the common ones (C,).

        Of these none changes by less than `least` or more than `most` (C,): the others follow where it stops. To stop
        it afterwards would leave them where they were to make up for a change that never came.
        """
        inverse, follow, reduced, right, _ = self.parts
        common = np.asarray(np.linalg.solve(reduced, right), np.float64)
        stopped = np.zeros(len(common), np.bool_)
        while np.any(beyond := ~stopped & ((common < least) | (common > most))):
            stopped |= beyond
            common, free = np.clip(common, least, most), ~stopped
            pulled = right[free] - reduced[np.ix_(free, stopped)] @ common[stopped]
            common[free] = np.linalg.solve(reduced[np.ix_(free, free)], pulled)
        own: Floats = np.einsum("sxy,sy->sx", inverse, self.gradient[:, : len(OWN)]) + follow @ common
        return own, common

    @property
    def own_covariance(self) -> Floats:
        """(S, 7, 7) of the own unknowns were the common ones exact."""
        return self.parts[0]

    def after(self, own_change: Floats, common_change: Floats) -> Equations:
        """What they would be after a small step of the own (S, 7) and the common (C,) unknowns."""
        change = np.concatenate([own_change, np.tile(common_change, (len(own_change), 1))], axis=1)
        return replace(
            self,
            gradient=self.gradient - np.einsum("sxy,sy->sx", self.normal, change),
            prior_gradient=self.prior_gradient - self.prior_normal @ common_change,
        )

    def without(self, sides: NDArray[np.bool_]) -> Equations:
        """The same, some sides (S,) saying nothing of what is common."""
        n, normal, gradient = len(OWN), self.normal.copy(), self.gradient.copy()
        normal[sides, n:], normal[sides, :, n:], gradient[sides, n:] = 0.0, 0.0, 0.0
        return replace(self, normal=normal, gradient=gradient)

    def against(self, which: slice) -> float:
        """Chi-square of a score test: how strongly the sides, without the prior, pull at some common unknowns."""
        _, _, reduced, right, _ = self.parts
        sides, pull = reduced - self.prior_normal, right - self.prior_gradient
        others = np.delete(np.arange(len(pull)), np.arange(len(pull))[which])
        mixed = sides[which][:, others]
        rest = np.linalg.inv(sides[np.ix_(others, others)] + np.eye(len(others)) * 1e-6)
        normal = sides[which, which] - mixed @ rest @ mixed.T
        score = pull[which] - mixed @ rest @ pull[others]
        return float(score @ np.linalg.solve(normal + np.eye(len(score)) * 1e-6, score))

    def eliminated(self) -> tuple[Floats, Floats, Floats]:
        """The own unknowns' covariance were the common ones exact, how they follow these, these ones' covariance."""
        inverse, follow, reduced, _, _ = self.parts
        return inverse, follow, np.asarray(np.linalg.inv(reduced), np.float64)


def own_inverse(normal: Floats) -> Floats:
    """(S, 7, 7): covariance of the own unknowns, were the common ones exact; also of lines that no pixel tells of."""
    n = len(OWN)
    return inverse_of(normal[:, :n, :n] + UNSEEN)


def inverse_of(matrices: Floats) -> Floats:
    """Of matrices (..., K, K)."""
    return np.asarray(np.linalg.inv(matrices), np.float64)
