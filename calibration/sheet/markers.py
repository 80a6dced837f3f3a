"""The corners of printed markers from their edges: blurred edges fitted to native pixels, and crossed.

A printed corner is rounded and a detector's corner lies inside it; the edges on both sides do not know of that.
Each corner has two arms, the nearer halves of the two sides that meet in it. Across an arm the light is

    I = (mean + contrast * erf(e / (s sqrt 2))) * (1 + fall * n)

with e the signed distance from the edge, n that from where the edge was thought to be, s the blur. How a wide lens
bends the edge is known from the board's other corners, and is no unknown here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from calibration.damped import Settled, packed, settle
from calibration.sheet.saddle import Saddles

Floats = NDArray[np.float64]

CORE_SHARE = 0.05  # of a side: so near a corner the print is rounded
MOST_PX = 20.0  # edges are used for this length at most
BLUR_PX = 0.8  # to begin with
SHINES = 2.5  # blurs: so far a neighbouring edge is seen
SOFTEST = 0.22  # of a cell: with a wider blur the border is nowhere black, nor the gap white
# of corners from the top left, clockwise: along which axis of the sheet the side to the next and to the last one
# runs, and whether with it or against it
TO_NEXT = ((0, 1), (1, -1), (0, -1), (1, 1))
TO_LAST = ((1, -1), (0, -1), (1, 1), (0, 1))
MOST_WIDE_PX = 6.0  # across an edge no more is needed on either side
_PARAMETERS = 6  # offset at the near end, at the far end, mean, contrast, blur, fall


@dataclass(frozen=True, eq=False, slots=True)
class _Arms:
    """One arm a row: a frame at its corner, the pixels in it, and which of them count."""

    along: Floats  # (A, 2) unit vector away from the corner
    across: Floats  # (A, 2) unit vector out of the marker
    near_px: Floats  # (A,) where along it the arm begins and ends
    far_px: Floats
    t: Floats  # (A, P) along
    n: Floats  # (A, P) across
    light: Floats
    weight: Floats
    bend: Floats  # (A, 1) curvature of the edge towards the outside, 1/px


def fit_marker_corners(
    linear: NDArray[np.float32], corners_px: Floats, cell: float, gap: float, bends: Floats | None = None
) -> Saddles:
    """Fit the corners of markers, each from the two edges that meet there.

    Parameters
    ----------
    linear : (h, w) float32
        The picture in linear light.
    corners_px : (M, 4, 2)
        Corners of each marker to within about 2 px, clockwise from its top left as printed.
    cell, gap : float
        In sides of a marker: how wide its black border is, and the white around it.
    bends : (M, 4, 2), or None
        Curvature at each corner of lines along the sheet's x and y, as `lattice.Shape` has it; None for none.

    Returns
    -------
    Saddles
        A row for each corner, (4 M,), in the order given.
    """
    bends = np.zeros_like(corners_px) if bends is None else bends
    found = _fit(linear, corners_px, cell, gap, bends, BLUR_PX)
    soft_px = float(np.median(found.blur_px[found.good])) if found.good.any() else BLUR_PX
    return found if soft_px <= BLUR_PX else _fit(linear, corners_px, cell, gap, bends, soft_px)


def _fit(
    linear: NDArray[np.float32], corners_px: Floats, cell: float, gap: float, bends: Floats, blur_px: float
) -> Saddles:
    starts = corners_px.reshape(-1, 2)
    to_next = (np.roll(corners_px, -1, axis=1) - corners_px).reshape(-1, 2)
    to_last = (np.roll(corners_px, 1, axis=1) - corners_px).reshape(-1, 2)
    side, other = _paired(to_next, to_last), _paired(to_last, to_next)
    bend = np.stack([_towards(TO_NEXT, bends), _towards(TO_LAST, bends)], axis=-1).ravel()
    arms = _arms(linear, np.repeat(starts, 2, axis=0), side, other, bend, (cell, gap), SHINES * blur_px)
    settled = settle(partial(_model, arms), _start(arms, blur_px), arms.light, arms.weight, _tidy)
    return _crossed(arms, settled, starts, np.minimum(np.hypot(*to_next.T), np.hypot(*to_last.T)), cell)


def _towards(sides: tuple[tuple[int, int], ...], bends: Floats) -> Floats:
    """(M, 4) curvature of these sides, positive to the left of the way away from the corner, as (-y, x) has it."""
    return np.stack([bends[:, corner, axis] * sense for corner, (axis, sense) in enumerate(sides)], axis=1)


def _paired(one: Floats, other: Floats) -> Floats:
    return np.stack([one, other], axis=1).reshape(-1, 2)


def _arms(
    linear: NDArray[np.float32],
    corners_px: Floats,
    side_px: Floats,
    other_px: Floats,
    bend: Floats,
    plain: tuple[float, float],
    shines_px: float,
) -> _Arms:
    """Cut out the pixels about each arm: squares of them at its middle, masked in the arm's own axes."""
    length = np.hypot(*side_px.T)
    along = side_px / length[:, None]
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    inward = np.sum(normal * other_px, axis=1)
    outside_sign = -np.sign(inward)
    across = normal * outside_sign[:, None]
    near = np.maximum(np.minimum(shines_px, 0.25 * length), CORE_SHARE * length)
    far = np.maximum(np.minimum(0.5 * length, near + MOST_PX), near + 1.0)
    wide = np.abs(inward)  # the marker's extent across this side
    inside, outside = (np.clip(part * wide - shines_px, 0.5 * part * wide, MOST_WIDE_PX) for part in plain)
    middle = corners_px + along * ((near + far) / 2)[:, None]
    half = int(np.ceil(np.max(np.hypot(far - near, 2 * np.maximum(inside, outside)) / 2, initial=1.0)))
    dx, dy = (a.ravel() for a in np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1)))
    centre = np.rint(middle).astype(int)
    column, row = centre[:, :1] + dx, centre[:, 1:] + dy
    h, w = linear.shape
    in_picture = (column >= 0) & (column < w) & (row >= 0) & (row < h)
    light = linear[np.clip(row, 0, h - 1), np.clip(column, 0, w - 1)].astype(float)
    x, y = column - corners_px[:, :1], row - corners_px[:, 1:]
    t, n = x * along[:, :1] + y * along[:, 1:], x * across[:, :1] + y * across[:, 1:]
    other = other_px / np.hypot(*other_px.T)[:, None]
    clear = np.abs(x * other[:, 1:] - y * other[:, :1]) > near[:, None]  # of the other edge of the corner
    keep = (
        in_picture & clear & (t > near[:, None]) & (t < far[:, None]) & (n > -inside[:, None]) & (n < outside[:, None])
    )
    weight, t, n, light = packed(keep, t, n, light)
    return _Arms(along, across, near, far, t, n, light, weight, (bend * outside_sign)[:, None])


def _start(arms: _Arms, blur_px: float) -> Floats:
    fit = np.zeros((len(arms.t), _PARAMETERS))
    fit[:, 4] = blur_px
    held = np.where(arms.weight > 0, arms.light, np.nan)
    seen = np.isfinite(held).any(axis=1)
    if seen.any():
        low, high = np.nanpercentile(held[seen], [15, 85], axis=1)
        fit[seen, 2], fit[seen, 3] = (low + high) / 2, (high - low) / 2
    return fit


def _model(arms: _Arms, fit: Floats) -> tuple[Floats, Floats]:
    """Light (A, P) and its slopes (A, P, 6)."""
    share = (arms.t - arms.near_px[:, None]) / (arms.far_px - arms.near_px)[:, None]
    e = arms.n - (fit[:, 0:1] * (1 - share) + fit[:, 1:2] * share) - 0.5 * arms.bend * arms.t**2
    mean, contrast, blur = fit[:, 2:3], fit[:, 3:4], fit[:, 4:5]
    z = e / (np.sqrt(2.0) * blur)
    step = erf(z)
    fall = 1.0 + fit[:, 5:6] * arms.n
    level = mean + contrast * step
    by_e = contrast * fall * np.sqrt(2 / np.pi) / blur * np.exp(-(z**2))
    slopes = np.stack(
        [-by_e * (1 - share), -by_e * share, fall, fall * step, -by_e * e / blur, level * arms.n],
        axis=-1,
    )
    return level * fall, slopes


def _tidy(fit: Floats) -> Floats:
    tidied = fit.copy()
    tidied[:, 4] = np.clip(np.abs(fit[:, 4]), 0.2, 50.0)
    return tidied


def _crossed(arms: _Arms, settled: Settled, starts_px: Floats, side_px: Floats, cell: float) -> Saddles:
    """Cross the two edges of each corner; their uncertainties go along."""
    fit, cov = settled.fit, settled.covariance
    length = arms.far_px - arms.near_px
    tilt = (fit[:, 1] - fit[:, 0]) / length
    at_corner = fit[:, 0] - tilt * arms.near_px
    # offset at the corner is (1 + q) of the near end's less q of the far end's
    q = arms.near_px / length
    variance = (1 + q) ** 2 * cov[:, 0, 0] + q**2 * cov[:, 1, 1] - 2 * q * (1 + q) * cov[:, 0, 1]
    normals = (arms.across - tilt[:, None] * arms.along).reshape(-1, 2, 2)
    turned = np.linalg.pinv(normals)
    moved = (turned @ at_corner.reshape(-1, 2, 1))[..., 0]
    spread = np.einsum("nij,nj->n", turned**2, np.maximum(variance, 0.0).reshape(-1, 2))
    contrast, blur, mean = fit[:, 3], fit[:, 4], fit[:, 2]
    good_arms = (
        np.isfinite(fit).all(axis=1)
        & (contrast > 6 * np.sqrt(settled.scatter))
        & (settled.freedom > 2 * _PARAMETERS)
        & (blur < np.repeat(SOFTEST * cell * side_px, 2))
    )
    good = good_arms.reshape(-1, 2).all(axis=1) & (np.hypot(*moved.T) < np.minimum(3.0, 0.2 * side_px))
    return Saddles(
        starts_px + moved,
        np.sqrt(spread / 2),
        blur.reshape(-1, 2).mean(axis=1),
        contrast.reshape(-1, 2).mean(axis=1),
        (mean + contrast).reshape(-1, 2).mean(axis=1),
        good,
    )
