"""The corner of four squares, to a hundredth of a pixel: two crossing blurred edges fitted to native pixels.

Around a corner the light is

    I = (mean + contrast * erf(e1 / (s sqrt 2)) * erf(e2 / (s sqrt 2))) * (1 + fall . d)

with e1, e2 the signed distances from two lines, s the total blur (lens and pixel) and d the place in the window.
A wide lens bends the lines: how much is known from the board's other corners, and is no unknown here. It is fitted
in linear light, because a tone curve moves every edge towards its dark side.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from calibration.damped import packed, settle

Floats = NDArray[np.float64]

_PARAMETERS = 9  # x, y, angle 1, angle 2, mean, contrast, blur, fall x, fall y


@dataclass(frozen=True, eq=False, slots=True)
class Saddles:
    """Fitted corners; a row each."""

    corners_px: Floats  # (N, 2)
    corners_u_px: Floats  # (N,) standard uncertainty per axis, from the scatter of the pixels about the fit
    blur_px: Floats  # (N,) standard deviation of the edges' blur, pixel included
    contrast: Floats  # (N,) half the step between white and black, linear light
    white: Floats  # (N,) level of the white squares, linear light
    good: NDArray[np.bool_]  # (N,) the fit settled, near its start, on something like a corner


@dataclass(frozen=True, eq=False, slots=True)
class _Windows:
    """The pixels about each start: places relative to it, their light, and which of them count."""

    x: Floats  # (N, P)
    y: Floats
    light: Floats
    weight: Floats
    along_bend: Floats  # (N, 1) curvature of the lines, 1/px
    up_bend: Floats


def fit_saddles(
    linear: NDArray[np.float32],
    starts_px: Floats,
    along_px: Floats,
    up_px: Floats,
    clear: float,
    reach: float,
    bends: tuple[Floats, Floats] | None = None,
    most_px: float = 14.0,
) -> Saddles:
    """Fit every corner of one view at once (Levenberg-Marquardt, analytic slopes).

    Parameters
    ----------
    linear : (h, w) float32
        The picture in linear light.
    starts_px : (N, 2)
        Corners to within about 2 px.
    along_px, up_px : (N, 2)
        What one square's side is in the picture at each corner, along the rows and up the columns.
    clear, reach : float
        In squares: how far from an edge the squares' inside is plain, and how long an edge is used.
    bends : two of (N,), or None
        Curvature of the line along the rows and of that up the columns, 1/px, positive to the left of its
        direction as (-y, x) has it; None for straight lines.
    most_px : float
        Edges are used for this length at most.
    """
    straight = np.zeros(len(starts_px))
    windows = _windows(linear, starts_px, along_px, up_px, clear, reach, bends or (straight, straight), most_px)
    start = _start(windows, along_px, up_px)
    settled = settle(partial(_model, windows), start, windows.light, windows.weight, _tidy)
    fit, cov = settled.fit, settled.covariance
    u = np.sqrt(np.maximum((cov[:, 0, 0] + cov[:, 1, 1]) / 2, 0.0))
    moved = np.hypot(fit[:, 0], fit[:, 1])
    shortest = np.minimum(np.hypot(*along_px.T), np.hypot(*up_px.T))
    contrast, blur = np.abs(fit[:, 5]), np.abs(fit[:, 6])
    good = (
        np.isfinite(fit).all(axis=1)
        & (moved < np.minimum(3.0, 0.2 * shortest))
        & (contrast > 6 * np.sqrt(settled.scatter))
        & (blur < 0.25 * shortest)
        & (settled.freedom > 2 * _PARAMETERS)
    )
    return Saddles(starts_px + fit[:, :2], u, blur, contrast, fit[:, 4] + contrast, good)


def _windows(
    linear: NDArray[np.float32],
    starts_px: Floats,
    along_px: Floats,
    up_px: Floats,
    clear: float,
    reach: float,
    bends: tuple[Floats, Floats],
    most_px: float,
) -> _Windows:
    """Cut out squares of pixels and keep the arms of the cross that holds no marker."""
    h, w = linear.shape
    longest = np.max(np.hypot(*along_px.T) + np.hypot(*up_px.T), initial=1.0)
    half = int(np.ceil(min(reach * longest, most_px)))
    dx, dy = (a.ravel() for a in np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1)))
    centre = np.rint(starts_px).astype(int)
    column, row = centre[:, :1] + dx, centre[:, 1:] + dy
    inside = (column >= 0) & (column < w) & (row >= 0) & (row < h)
    light = linear[np.clip(row, 0, h - 1), np.clip(column, 0, w - 1)].astype(float)
    x, y = column - starts_px[:, :1], row - starts_px[:, 1:]
    # the pixels in squares, along and up
    det = along_px[:, :1] * up_px[:, 1:] - along_px[:, 1:] * up_px[:, :1]
    a = np.abs((x * up_px[:, 1:] - y * up_px[:, :1]) / det)
    b = np.abs((y * along_px[:, :1] - x * along_px[:, 1:]) / det)
    keep = inside & (np.maximum(a, b) < reach) & (np.minimum(a, b) < clear) & (np.hypot(x, y) < most_px)
    weight, x, y, light = packed(keep, x, y, light)
    return _Windows(x, y, light, weight, bends[0][:, None], bends[1][:, None])


def _start(windows: _Windows, along_px: Floats, up_px: Floats) -> Floats:
    """(N, 9) first guess: the edges as the grid has them, the levels from the window."""
    fit = np.zeros((len(along_px), _PARAMETERS))
    fit[:, 2] = np.arctan2(along_px[:, 1], along_px[:, 0])
    fit[:, 3] = np.arctan2(up_px[:, 1], up_px[:, 0])
    fit[:, 6] = 0.8
    held = np.where(windows.weight > 0, windows.light, np.nan)
    if len(held):
        low, high = np.nanpercentile(held, [15, 85], axis=1)
        fit[:, 4], fit[:, 5] = (low + high) / 2, (high - low) / 2
    (e1, _), (e2, _) = _lines(windows, fit)
    same = np.sum(windows.weight * np.sign(e1 * e2) * (windows.light - fit[:, 4:5]), axis=1)
    fit[:, 5] *= np.where(same < 0, -1.0, 1.0)
    return fit


def _line(x: Floats, y: Floats, angle: Floats, bend: Floats) -> tuple[Floats, tuple[Floats, Floats, Floats]]:
    """Signed distances from a bent line through the corner; their slopes by the corner's x and y and by the angle."""
    c, s = np.cos(angle), np.sin(angle)
    e, t = c * y - s * x, c * x + s * y
    return e - 0.5 * bend * t * t, (s + bend * t * c, bend * t * s - c, -t - bend * t * e)


def _lines(windows: _Windows, fit: Floats) -> list[tuple[Floats, tuple[Floats, Floats, Floats]]]:
    x, y = windows.x - fit[:, 0:1], windows.y - fit[:, 1:2]
    return [_line(x, y, fit[:, 2:3], windows.along_bend), _line(x, y, fit[:, 3:4], windows.up_bend)]


def _model(windows: _Windows, fit: Floats) -> tuple[Floats, Floats]:
    """Light (N, P) and its slopes (N, P, 9)."""
    (e1, (x1, y1, a1)), (e2, (x2, y2, a2)) = _lines(windows, fit)
    mean, contrast, blur = fit[:, 4:5], fit[:, 5:6], fit[:, 6:7]
    root = np.sqrt(2.0) * blur
    f1, f2 = erf(e1 / root), erf(e2 / root)
    bell = np.sqrt(2 / np.pi) / blur
    g1, g2 = bell * np.exp(-((e1 / root) ** 2)), bell * np.exp(-((e2 / root) ** 2))
    fall = 1.0 + fit[:, 7:8] * windows.x + fit[:, 8:9] * windows.y
    level = mean + contrast * f1 * f2
    by1, by2 = contrast * fall * g1 * f2, contrast * fall * f1 * g2  # slopes by e1 and e2
    slopes = np.stack(
        [
            by1 * x1 + by2 * x2,
            by1 * y1 + by2 * y2,
            by1 * a1,
            by2 * a2,
            fall,
            fall * f1 * f2,
            -(by1 * e1 + by2 * e2) / blur,
            level * windows.x,
            level * windows.y,
        ],
        axis=-1,
    )
    return level * fall, slopes


def _tidy(fit: Floats) -> Floats:
    """The blur has no sign, and is neither a step nor the whole window."""
    tidied = fit.copy()
    tidied[:, 6] = np.clip(np.abs(fit[:, 6]), 0.2, 50.0)
    return tidied
