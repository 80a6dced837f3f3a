"""Whether corners of one view err together, as uneven light, soft paper and compression make them do.

A solve that takes corner errors as independent then states too small uncertainties. What is smooth over a view shows in
its residuals, as far as the view's own unknowns have not taken it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.lens.blocks import Normal

Floats = NDArray[np.float64]

INDEPENDENT = 10.0  # this many smooth errors of the expected size are thought to have been seen already


def smooth_excess(
    residuals: Floats, slopes: Floats, equations: Normal, shared_covariance: Floats, places: Floats
) -> float:
    """By how much the variance of what is smooth in the residuals exceeds that of independent errors; at least 1.

    Parameters
    ----------
    residuals, slopes : (V, M), (V, M, S + W)
        Weighted, two rows (x and y) a corner, zero where there is none; shared unknowns first.
    equations, shared_covariance : Normal, (S, S)
        Of these slopes, priors included.
    places : (V, M / 2, 2)
        Of the corners on the sheet, about from -1 to 1.

    Notes
    -----
    Smooth is what polynomials of second order in the place make of x and of y. With weights W, own slopes A, their
    inverse normal matrix N (priors included), R = 1 - A N A', and shared slopes J with covariance C, residuals of
    independent unit errors have the covariance R - R J C J' R in each view: its trace over the smooth ones is what is
    expected.
    """
    shared = len(shared_covariance)
    own, common = slopes[:, :, shared:], slopes[:, :, :shared]
    basis = _smooth(places, np.abs(slopes).max(axis=2) > 0)
    inverse = np.linalg.inv(equations.held())
    left = basis - own @ (inverse @ (np.swapaxes(own, 1, 2) @ basis))
    carried = np.swapaxes(common, 1, 2) @ left
    expected = np.sum(basis * left) - np.einsum("vik,ij,vjk->", carried, shared_covariance, carried)
    found = np.sum((np.swapaxes(basis, 1, 2) @ residuals[..., None]) ** 2)
    return max(1.0, float((found + INDEPENDENT) / (max(expected, 0.0) + INDEPENDENT)))


def _smooth(places: Floats, there: NDArray[np.bool_]) -> Floats:
    """(V, M, 12): orthonormal columns in each view, zero where there is no corner."""
    u, v = np.moveaxis(places, -1, 0)
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    columns = np.zeros((len(places), 2 * places.shape[1], 12))
    columns[:, 0::2, :6], columns[:, 1::2, 6:] = terms, terms
    return np.asarray(np.linalg.qr(columns * there[..., None])[0])
