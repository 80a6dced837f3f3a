"""Many small least-squares fits side by side: Levenberg-Marquardt with a row of unknowns for each window of pixels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEPS = 25
SETTLED_PX = 1e-4

Model = Callable[[Floats], tuple[Floats, Floats]]  # unknowns (N, K) -> light (N, P), its slopes (N, P, K)


@dataclass(frozen=True, eq=False, slots=True)
class Settled:
    """Where the fits came to rest; a row each."""

    fit: Floats  # (N, K)
    covariance: Floats  # (N, K, K) from the scatter of the pixels about the fit
    scatter: Floats  # (N,) variance of a pixel about the fit
    freedom: Floats  # (N,) pixels that count, less unknowns; at least 1


def settle(model: Model, start: Floats, light: Floats, weight: Floats, tidy: Callable[[Floats], Floats]) -> Settled:
    """Fit every window at once.

    Parameters
    ----------
    model : function
        Foretold light and its slopes. The first two unknowns are lengths in pixels: they say when all is settled.
    start : (N, K)
    light, weight : (N, P)
        Pixels of each window, and which of them count (0 or 1).
    tidy : function
        Brings unknowns that went out of bounds back into them, (N, K) -> (N, K).
    """
    fit, damping = start, np.full(len(start), 1e-3)
    count = start.shape[1]
    normal, pull, cost = _normal(model, fit, light, weight)
    for _ in range(STEPS):
        lifted = normal + np.einsum("n,ij,nij->nij", damping, np.eye(count), normal) + 1e-12 * np.eye(count)
        step = np.linalg.solve(lifted, pull[..., None])[..., 0]
        tried = tidy(fit + step)
        tried_normal, tried_pull, tried_cost = _normal(model, tried, light, weight)
        better = tried_cost <= cost
        damping = np.where(better, damping * 0.1, damping * 10.0)
        fit = np.where(better[:, None], tried, fit)
        normal = np.where(better[:, None, None], tried_normal, normal)
        pull = np.where(better[:, None], tried_pull, pull)
        cost = np.where(better, tried_cost, cost)
        if np.all(np.hypot(step[:, 0], step[:, 1]) < SETTLED_PX):
            break
    freedom = np.maximum(weight.sum(axis=1) - count, 1.0)
    scatter = cost / freedom
    return Settled(fit, np.linalg.pinv(normal) * scatter[:, None, None], scatter, freedom)


def packed(keep: NDArray[np.bool_], *values: Floats) -> tuple[Floats, ...]:
    """Pixels (N, P) that count moved to the front of each row, the rest cut off; the weights of what is left first."""
    order = np.argsort(~keep, axis=1, kind="stable")[:, : max(int(keep.sum(axis=1).max(initial=0)), 1)]
    return tuple(np.take_along_axis(value, order, axis=1) for value in (keep.astype(float), *values))


def _normal(model: Model, fit: Floats, light: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    foretold, slopes = model(fit)
    miss = weight * (light - foretold)
    normal = np.swapaxes(slopes * weight[..., None], 1, 2) @ slopes
    pull = (miss[:, None, :] @ slopes)[:, 0, :]
    return normal, pull, np.sum(miss * miss, axis=1)
