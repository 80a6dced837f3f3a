"""Least squares with unknowns that all views share and unknowns of each view: the views' own are eliminated first.

The work grows with the number of views, not with its cube (Schur's complement; D. C. Brown, "A solution to the
general problem of multiple station analytical stereotriangulation", 1958).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TINY = 1e-12  # of a view's own unknown that nothing depends on, such as the first sheet's place

VAGUE = 1e-14  # relative information of a direction that nothing tells of: its variance is huge, not infinite


@dataclass(frozen=True, eq=False, slots=True)
class Normal:
    """The normal equations of one linearised problem of V views: S shared unknowns, W of each view's own."""

    shared: Floats  # (S, S)
    mixed: Floats  # (V, W, S)
    own: Floats  # (V, W, W)
    pull_shared: Floats  # (S,) the negative gradient
    pull_own: Floats  # (V, W)

    def less(self, part: Normal) -> Normal:
        """These equations without a part of them."""
        return Normal(
            self.shared - part.shared,
            self.mixed - part.mixed,
            self.own - part.own,
            self.pull_shared - part.pull_shared,
            self.pull_own - part.pull_own,
        )

    def step(self, damping: float) -> tuple[Floats, Floats]:
        """The step (S,), (V, W) that solves them, each unknown damped in its own size (Marquardt)."""
        own = self.held(damping)
        solved = np.linalg.solve(own, np.concatenate([self.mixed, self.pull_own[..., None]], axis=-1))
        reduced = self.shared - np.einsum("vwi,vwj->ij", self.mixed, solved[..., :-1])
        reduced += damping * np.diag(np.diag(self.shared))
        pull = self.pull_shared - np.einsum("vwi,vw->i", self.mixed, solved[..., -1])
        size = np.sqrt(np.maximum(np.diag(self.shared), 1e-300))
        shared = np.linalg.solve(reduced / np.outer(size, size), pull / size) / size
        return shared, solved[..., -1] - solved[..., :-1] @ shared

    def covariance(self) -> tuple[Floats, Floats]:
        """Of the shared unknowns (S, S), and of each view's own (V, W, W), for residuals of size 1."""
        own = np.linalg.inv(self.held())
        carried = own @ self.mixed
        reduced = self.shared - np.einsum("vwi,vwj->ij", self.mixed, carried)
        size = np.sqrt(np.maximum(np.diag(self.shared), 1e-300))
        values, vectors = np.linalg.eigh(reduced / np.outer(size, size))
        shared = (vectors / np.maximum(values, VAGUE)) @ vectors.T / np.outer(size, size)
        return shared, own + carried @ shared @ np.swapaxes(carried, 1, 2)

    def held(self, damping: float = 0.0) -> Floats:
        """The own blocks, damped; unknowns that nothing depends on are held where they are."""
        diagonal = np.diagonal(self.own, axis1=1, axis2=2)
        held = np.where(diagonal <= TINY, 1.0, damping * diagonal)
        return np.asarray(self.own + held[..., None] * np.eye(held.shape[1]))


def normal(slopes: Floats, residuals: Floats, shared: int) -> Normal:
    """The normal equations of weighted slopes (V, M, S + W) and residuals (V, M)."""
    transposed = np.swapaxes(slopes, 1, 2)
    squares = transposed @ slopes
    pull = -(transposed @ residuals[..., None])[..., 0]
    return Normal(
        squares[:, :shared, :shared].sum(axis=0),
        squares[:, shared:, :shared],
        squares[:, shared:, shared:],
        pull[:, :shared].sum(axis=0),
        pull[:, shared:],
    )
