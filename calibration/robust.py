"""Robust least squares for problems of a hundred unknowns: damped Gauss-Newton with Huber's weights.

Normal equations with scaled columns, so that a solve of seventeen views takes tenths of a second on a busy
machine; a general solver's singular values of the tall matrix cost a hundred times that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAD_TO_SD = 1.4826  # a normal distribution's median absolute deviation to its standard deviation
HUBER = 3.0  # residuals beyond this many standard deviations pull with constant force
STEPS = 100
AHEAD = 0.1  # of a step, by which its curvature is told
MOST_BEND = 0.5  # of a step's length; a valley that curves more is followed in shorter steps
SETTLED = 1e-9  # a relative gain in cost below this is none


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """Residuals in standard deviations (M,), their slopes (M, P); the last `priors` rows bear no outliers."""

    residuals: Floats
    slopes: Floats
    priors: int = 0


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """The best unknowns and the inverse of their normal matrix: their covariance for residuals of size 1."""

    x: Floats  # (P,)
    covariance: Floats  # (P, P)
    cost: float


def fit_robustly(rows: Callable[[Floats], Rows], unknowns: int) -> Fit:
    """Minimise Huber's cost of `rows` from zero (Levenberg's damping on columns of unit length).

    Steps are bent along curved valleys, such as that of focal length and height over one plane.
    Sources: P. J. Huber, "Robust Statistics", 1981, section 7.8 (modified weights); M. K. Transtrum, J. P. Sethna,
    "Improvements to the Levenberg-Marquardt algorithm for nonlinear least-squares minimization", 2012 (geodesic
    acceleration).
    """
    x, damping = np.zeros(unknowns), 1e-4
    now = rows(x)
    cost = _cost(now)
    for _ in range(STEPS):
        normal, pull, size = _normal(now)
        held = normal + damping * np.eye(unknowns)
        straight = np.linalg.solve(held, pull) / size
        curve = _curvature(rows, x, now, straight)
        bend = -0.5 * np.linalg.solve(held, (now.slopes * weights_of(now)[:, None]).T @ curve / size) / size
        short = np.linalg.norm(bend * size) <= MOST_BEND * np.linalg.norm(straight * size)
        step = straight + bend if short else straight
        tried = rows(x + step)
        tried_cost = _cost(tried)
        if not tried_cost <= cost:  # also where it is not a number
            damping *= 10.0
            if damping > 1e8:
                break
            continue
        gain = cost - tried_cost
        x, now, cost, damping = x + step, tried, tried_cost, max(damping * 0.1, 1e-12)
        if gain <= SETTLED * cost and damping < 1e-2:  # a short step gains little anywhere
            break
    normal, _, size = _normal(now)
    return Fit(x, np.linalg.pinv(normal, hermitian=True) / np.outer(size, size), cost)


def _curvature(rows: Callable[[Floats], Rows], x: Floats, now: Rows, step: Floats) -> Floats:
    """(M,): the residuals' second derivative along a step, by a short piece of it."""
    ahead = rows(x + AHEAD * step).residuals - now.residuals
    return np.asarray(2.0 / AHEAD * (ahead / AHEAD - now.slopes @ step))


def weights_of(rows: Rows) -> Floats:
    """(M,) Huber's weights; priors count in full."""
    weights = np.minimum(1.0, HUBER / np.maximum(np.abs(rows.residuals), 1e-12))
    weights[len(weights) - rows.priors :] = 1.0
    return weights


def _cost(rows: Rows) -> float:
    size = np.abs(rows.residuals)
    cost = np.where(size <= HUBER, 0.5 * size**2, HUBER * (size - 0.5 * HUBER))
    at = len(size) - rows.priors
    return float(np.sum(cost[:at]) + 0.5 * np.sum(size[at:] ** 2))


def _normal(rows: Rows) -> tuple[Floats, Floats, Floats]:
    weights = weights_of(rows)
    weighted = rows.slopes * weights[:, None]
    normal = weighted.T @ rows.slopes
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    return normal / np.outer(size, size), -(weighted.T @ rows.residuals) / size, size


def spread(z: Floats, unknowns: int) -> float:
    """Standard deviation of residuals by their median, so that the few bad ones do not count."""
    freedom = max(z.size - unknowns, 1)
    return float(MAD_TO_SD * np.median(np.abs(z)) * np.sqrt(z.size / freedom))


def root(covariance: Floats, least: float | None = None) -> Floats:
    """(P, Q): a square root of a covariance (P, P): independent errors of size 1 become its own by it.

    Rounding's negative eigenvalues count as none. With `least` only those errors are kept, Q <= P, whose share is
    larger, in units of each parameter's own variance.
    """
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    kept = slice(None) if least is None else values > least
    return np.asarray(size[:, None] * vectors[:, kept] * np.sqrt(np.maximum(values[kept], 0.0)))
