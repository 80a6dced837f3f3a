"""Six unknowns: how a device whose lens is known hangs over the mat."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, PARAMETERS, moved, project, turn_slope
from calibration.robust import Rows, fit_robustly, root, spread

Floats = NDArray[np.float64]

POSE = slice(LENS_PARAMETERS, PARAMETERS)
BUMP = np.array([0.05] * 3 + [60.0] * 3)  # SD of a bump's turn (rad) and of the translation (mm): hardly a prior
RESTARTS = 2
MANY, MOST_SHRINK = 60, 0.5
TELLING = 0.1  # per px: what is known less well than to 10 px says nothing of the scatter


@dataclass(frozen=True, eq=False, slots=True)
class Pose:
    """A device in its new pose.

    `step` (6,) is the way from the old pose: a turn (rad) applied after the rotation, then translation (mm).
    `covariance` (6, 6) is that of the new pose about itself, from the points' own scatter.
    """

    pinhole: Pinhole
    step: Floats
    covariance: Floats
    scatter: float  # of the residuals, in their own standard uncertainties; 1 where these are true
    misses: Floats  # (N,) of each point, in its standard uncertainties


def fit_pose(start: Pinhole, points_mat_mm: Floats, seen_px: Floats, information_px2: Floats) -> Pose:
    """The pose from points (N, 2) of the mat, the pixels (N, 2) that show them, and what each tells (N, 2, 2).

    A point on a border counts across it alone. Robust: a few points that are wrong do not pull. The lens is
    held. Two directions that the points leave open stay near the start by a prior of a bump's size.
    """
    points = np.column_stack([points_mat_mm, np.zeros(len(points_mat_mm))])
    roots = _roots(information_px2)
    pinhole, step = start, np.zeros(6)
    for _ in range(RESTARTS):
        rows = partial(_rows, start, pinhole, step, points, seen_px, roots)
        fit = fit_robustly(rows, 6)
        step = step + fit.x  # turns this small add up, and only the prior needs their sum
        pinhole = _moved(pinhole, fit.x)
    off = pinhole.px_from_mat(points_mat_mm) - seen_px
    sizes = np.einsum("nij,nj->ni", roots, off)
    told = sizes[np.linalg.norm(roots, axis=2) > TELLING]
    scatter = spread(told, 6) if len(told) > 6 else 1.0
    misses = np.linalg.norm(sizes, axis=1)
    return Pose(pinhole, step, fit.covariance * _trusted(scatter, len(told)) ** 2, scatter, misses)


def _moved(pinhole: Pinhole, step: Floats) -> Pinhole:
    return moved(pinhole, np.concatenate([np.zeros(LENS_PARAMETERS), step]))


def _trusted(scatter: float, count: int) -> float:
    """By how much stated uncertainties are off: believed of many residuals, of few only when they are too large."""
    return max(scatter, MOST_SHRINK) if count >= MANY else max(scatter, 1.0)


def _roots(information: Floats) -> Floats:
    """(N, 2, 2): rows that make residuals of unit variance out of pixels."""
    values, vectors = np.linalg.eigh(information)
    return np.asarray(np.sqrt(np.maximum(values, 0.0))[:, :, None] * np.swapaxes(vectors, 1, 2))


def _rows(
    start: Pinhole, now: Pinhole, made: Floats, points: Floats, seen_px: Floats, roots: Floats, x: Floats
) -> Rows:
    at = project(_moved(now, x), points)
    slopes = at.by_parameters[:, :, POSE].copy()
    slopes[:, :, :3] = slopes[:, :, :3] @ turn_slope(x[:3])
    residuals = np.einsum("nij,nj->ni", roots, at.px - seen_px).ravel()
    rows = (roots @ slopes).reshape(-1, 6)
    prior = (made + x) / BUMP
    return Rows(np.concatenate([residuals, prior]), np.concatenate([rows, np.diag(1.0 / BUMP)]), 6)


def fit_pose_and_lens(
    start: Pinhole, points_mat_mm: Floats, seen_px: Floats, information_px2: Floats, lens_covariance: Floats
) -> tuple[Pinhole, Floats, Floats]:
    """The same with the lens free within what was known of it: (9, 9) covariance about the start's.

    Returns the device, the (15, 15) covariance of its parameters, and the information as it was used, for the
    points' own scatter says how true it is. Where the points say nothing of the lens
    it stays; what an earlier fit had put into the pose instead of the lens is told apart now.
    """
    points = np.column_stack([points_mat_mm, np.zeros(len(points_mat_mm))])
    basis = np.eye(PARAMETERS)
    basis[:LENS_PARAMETERS, :LENS_PARAMETERS] = root(lens_covariance)
    pinhole = fit_pose(start, points_mat_mm, seen_px, information_px2).pinhole
    scale = used = 1.0
    for _ in range(RESTARTS):
        used = scale
        roots = _roots(information_px2 / used**2)
        fit = fit_robustly(partial(_lens_rows, pinhole, basis, points, seen_px, roots), PARAMETERS)
        ended = moved(pinhole, basis @ fit.x)
        off = np.einsum("nij,nj->ni", roots, ended.px_from_mat(points_mat_mm) - seen_px)
        scale = used * max(spread(off, PARAMETERS), 1e-3)
    return ended, np.asarray(basis @ fit.covariance @ basis.T), information_px2 / used**2


def _lens_rows(pinhole: Pinhole, basis: Floats, points: Floats, seen_px: Floats, roots: Floats, x: Floats) -> Rows:
    """The lens in standard deviations of what was known; its turn and place hardly bound."""
    step = basis @ x
    at = project(moved(pinhole, step), points)
    slopes = at.by_parameters.copy()
    slopes[:, :, 9:12] = slopes[:, :, 9:12] @ turn_slope(step[9:12])
    residuals = np.einsum("nij,nj->ni", roots, at.px - seen_px).ravel()
    rows = (roots @ slopes @ basis).reshape(-1, PARAMETERS)
    weights = np.concatenate([np.ones(LENS_PARAMETERS), 1.0 / BUMP])
    return Rows(np.concatenate([residuals, weights * x]), np.concatenate([rows, np.diag(weights)]), PARAMETERS)
