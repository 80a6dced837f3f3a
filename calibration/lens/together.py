"""Corners of one view err together, as uneven light, soft paper, uneven prints and compression make them do.

What is smooth over a view is an error of its own beside the corners' independent ones: a random one, whose usual size
the views tell. A solve that knew independent errors alone would put down to lens and bending what is smooth, and state
too small uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.lens.blocks import Normal, normal

Floats = NDArray[np.float64]

ORDERS = np.array([0, 0, 0, 1, 1, 1, 2, 2, 2, 2] * 2)  # shifts and slopes, bends, and what is of third order
GROUPS = 3
KNOWN = 10.0  # smooth errors of an order that are thought to have been seen: as large as those of the next order


@dataclass(frozen=True, eq=False, slots=True)
class Smooth:
    """Weighted residuals and slopes along what is smooth over each of V views."""

    slopes: Floats  # (V, 20, S + W)
    residuals: Floats  # (V, 20)

    def spared(self, ratios: Floats, shared: int) -> tuple[Normal, float]:
        """What must be taken from normal equations and cost where smooth errors have variances `ratios` (3,), not 1.

        With orthonormal columns B the weight of residuals is 1 - B (1 - 1 / ratios) B'.
        """
        part = np.sqrt(1.0 - 1.0 / ratios)[ORDERS]
        residuals = part * self.residuals
        return normal(part[:, None] * self.slopes, residuals, shared), 0.5 * float(np.sum(residuals**2))

    def likelier(self, ratios: Floats, equations: Normal, shared_covariance: Floats) -> Floats:
        """Variances (3,) of smooth errors over those of independent ones: one step towards the likeliest.

        Parameters
        ----------
        ratios : (3,)
            With which the equations were made.
        equations, shared_covariance : Normal, (S, S)
            Priors included.

        Notes
        -----
        With own slopes A, their inverse normal matrix N, and shared slopes J with covariance C, all in units of the
        errors, residuals have the covariance R - R J C J' R in each view, R = 1 - A N A': their squares are held
        against that (restricted maximum likelihood; H. D. Patterson and R. Thompson, "Recovery of inter-block
        information when block sizes are unequal", Biometrika 58, 1971). Slow errors are no smaller than quick ones,
        as in every smooth random field: what little is told of shifts and slopes, which the poses take, rests on that.
        """
        shared, size = len(shared_covariance), np.sqrt(ratios)[ORDERS]
        slopes = self.slopes / size[:, None]
        common, own = slopes[..., :shared], np.swapaxes(slopes[..., shared:], 1, 2)
        solved = np.linalg.solve(equations.held(), own)
        carried = np.swapaxes(common, 1, 2) - np.swapaxes(equations.mixed, 1, 2) @ solved
        taken = np.sum(own * solved, axis=1) + np.sum(carried * (shared_covariance @ carried), axis=1)
        there = np.any(self.slopes != 0.0, axis=2)
        expected, found = np.where(there, 1.0 - taken, 0.0).sum(axis=0), np.sum(self.residuals**2, axis=0)
        likelier, least = np.ones(GROUPS), 1.0
        for order in reversed(range(GROUPS)):
            of = order == ORDERS
            told = max(float(expected[of].sum()), 0.0)
            likelier[order] = least = max(least, float((found[of].sum() + KNOWN * least) / (told + KNOWN)))
        return likelier


def smooth(places: Floats, there: NDArray[np.bool_]) -> Floats:
    """(V, N, 10): orthonormal columns over the corners, `there` (V, N), at places (V, N, 2) from about -1 to 1."""
    u, v = np.moveaxis(places, -1, 0)
    terms = [np.ones_like(u), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3]
    return np.asarray(np.linalg.qr(np.stack(terms, axis=-1) * there[..., None])[0] * there[..., None])


def along(columns: Floats, slopes: Floats, residuals: Floats) -> Smooth:
    """Slopes (V, N, 2, S + W) and residuals (V, N, 2), x and y, along smooth columns (V, N, 10)."""
    views, count = slopes.shape[:2]
    across = np.swapaxes(columns, 1, 2)
    made = (across @ slopes.reshape(views, count, -1)).reshape(views, -1, *slopes.shape[2:])
    left = np.swapaxes(across @ residuals, 1, 2).reshape(views, -1)
    return Smooth(np.swapaxes(made, 1, 2).reshape(views, -1, slopes.shape[-1]), left)
