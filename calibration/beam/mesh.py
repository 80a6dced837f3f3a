"""A few hundred sure correspondences instead of two million noisy ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.beam.decoding import Decoded
from calibration.robust import MAD_TO_SD

Floats = NDArray[np.float64]

WINDOW_PX = 21
MOST_POINTS = 1400
LEAST_SHARE = 0.6  # of the window's pixels
MOST_SCATTER_PX = 1.5  # a window that scatters more holds an edge of something, or was decoded wrongly
HUBER = 2.0
ROUNDS = 8


@dataclass(frozen=True, eq=False, slots=True)
class Mesh:
    """Correspondences of camera and projector."""

    camera_px: Floats  # (N, 2)
    projector_px: Floats  # (N, 2)
    u_px: Floats  # (N, 2) standard uncertainties, in projector pixels


def mesh(decoded: Decoded, most: int = MOST_POINTS, window_px: int = WINDOW_PX) -> Mesh:
    """Fit a robust paraboloid to the projector pixels about each node of a square grid of camera pixels.

    Over a window the map is smooth, grid lines and noise are not: a few pixels that disagree do not count.
    """
    h, w = decoded.light.shape
    nodes = _nodes(w, h, most, window_px)
    half = window_px // 2
    dx, dy = (a.ravel() for a in np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1)))
    places = decoded.projector_px[nodes[:, 1:] + dy, nodes[:, :1] + dx].astype(float)  # (G, P, 2)
    valid = np.isfinite(places[..., 0])
    enough = valid.mean(axis=1) >= LEAST_SHARE
    nodes, places, valid = nodes[enough], places[enough], valid[enough]
    x, y = dx / half, dy / half
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    fits = [_fit(design, places[..., axis], valid) for axis in (0, 1)]
    values, us, scatters = (np.stack([fit[i] for fit in fits], axis=1) for i in range(3))
    good = np.all(scatters < MOST_SCATTER_PX, axis=1)
    return Mesh(nodes[good].astype(float), values[good], us[good])


def _nodes(w: int, h: int, most: int, window_px: int) -> NDArray[np.int64]:
    pitch = max(int(np.ceil(np.sqrt(w * h / most))), window_px)
    x, y = np.meshgrid(np.arange(window_px, w - window_px, pitch), np.arange(window_px, h - window_px, pitch))
    return np.column_stack([x.ravel(), y.ravel()]).astype(np.int64)


def _fit(design: Floats, values: Floats, valid: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Value at the node (G,), its standard uncertainty, and the scatter about the fit."""
    filled = np.where(valid, values, 0.0)
    middle = np.nanmedian(np.where(valid, values, np.nan), axis=1) if len(values) else np.empty(0)
    filled = np.where(valid, filled - middle[:, None], 0.0)
    weights = valid.astype(float)
    for _ in range(ROUNDS):
        normal = np.einsum("gp,pi,pj->gij", weights, design, design, optimize=True)
        normal += 1e-9 * np.eye(design.shape[1])
        pull = (weights * filled) @ design
        fit = np.linalg.solve(normal, pull[..., None])[..., 0]
        miss = np.where(valid, np.abs(filled - fit @ design.T), np.nan)
        scatter = np.maximum(MAD_TO_SD * np.nanmedian(miss, axis=1), 1e-4) if len(values) else np.empty(0)
        size = np.nan_to_num(miss) / scatter[:, None]
        weights = valid * np.minimum(1.0, HUBER / np.maximum(size, 1e-9))
    u = scatter * np.sqrt(np.linalg.inv(normal)[:, 0, 0]) * _together(filled - fit @ design.T, weights)
    return fit[:, 0] + middle, u, scatter


def _together(rest: Floats, weights: Floats) -> float:
    """By how much more windows err than if their pixels erred apart, at least 1.

    The projector's rounding and its pixels' raster are one along a whole column or row: the means of a window's
    columns (rows) then scatter more than the pixels' own scatter allows. The typical window speaks for all.
    """
    if len(rest) == 0:
        return 1.0
    side = round(np.sqrt(rest.shape[1]))
    rest, weights = rest.reshape(-1, side, side), weights.reshape(-1, side, side)
    each = np.sum(weights * rest**2, axis=(1, 2)) / np.sum(weights, axis=(1, 2))
    share = 1.0
    for axis in (1, 2):
        means = np.sum(weights * rest, axis=axis) / np.maximum(np.sum(weights, axis=axis), 1.0)
        freedom = side - 3  # the paraboloid takes three along each axis
        ratio = side * np.sum(means**2, axis=1) / freedom / np.maximum(each, 1e-12)
        share = max(share, float(np.median(ratio)))
    return float(np.sqrt(share))
