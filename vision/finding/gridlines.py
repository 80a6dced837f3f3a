"""The lines printed on a mat of which no bare picture is known: along its own axes, and thin.

In the mat's frame a line of its grid is a column or a row of one light from end to end. What most places of a column
have more than the smooth mat is such a line, whatever lies on the rest of it; a strip of cloth that lies along the mat
is wider than a line and stays out.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.finding.commonest import bare_spread

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

WIDEST_MM = 5.0  # of a printed line, its blur included; the narrowest strips that are sewn are wider
ALONG = 5  # times as far apart as across a line, about a pixel, lie the places along it
APART, EVEN = 2.5, 0.01  # more, over what most lines stray by, is cloth on half of one; less, of the mat's light, never
INK, LEAST_INK = 5.0, 5e-3  # standard deviations of a profile, and of the mat's light, beyond which it is ink
LEAST = 12  # places along a line that tell its light
KNOT_PX = 16  # between places whose mat coordinates are worked out; between these they hardly bend
DARK = 1e-4  # light of which any share is none


def line_shares(light: Floats32, smooth: Floats32, bare: Bools, camera: Pinhole) -> Floats32:
    """(H, W, 3): by what shares of the smooth mat's luminance the mat's lines differ from it.

    `light` and `smooth` are (H, W, 3), luminance and two colour differences of a picture with cloth in it, and of the
    smooth mat; `bare` (H, W) is True where the mat is and no cloth is seen. Zero where there is no line.
    """
    excess = np.asarray((light - smooth) / np.maximum(smooth[..., :1], DARK), np.float32)
    places_mm = _places(bare.shape, camera)
    on_bare = places_mm[bare]
    low, high = on_bare.min(axis=0).astype(np.float64), on_bare.max(axis=0).astype(np.float64)
    pitch_mm = math.sqrt(float(np.prod(high - low)) / len(on_bare))
    x, y = (np.arange(a, b, pitch_mm) for a, b in zip(low.tolist(), high.tolist(), strict=True))
    widest = max(3, round(WIDEST_MM / pitch_mm))
    upright = _thin(_along(excess, bare, camera, *np.meshgrid(x, y[::ALONG], indexing="ij")), widest)
    level = _thin(_along(excess, bare, camera, *np.meshgrid(x[::ALONG], y)), widest)
    steps = ((places_mm - low.astype(np.float32)) / np.float32(pitch_mm)).astype(np.float32)
    of_x, of_y = (_at(one, np.ascontiguousarray(steps[..., k])) for k, one in enumerate((upright, level)))
    # Where two lines cross, the ink is as dark as either.
    return np.where(np.abs(of_x[..., :1]) > np.abs(of_y[..., :1]), of_x, of_y)


def _places(shape: tuple[int, ...], camera: Pinhole) -> Floats32:
    """(H, W, 2): the places of the mat in the pixels of a picture, mm."""
    height, width = shape
    rows, columns = (np.arange(0, n + KNOT_PX, KNOT_PX, dtype=np.float64) for n in (height, width))
    knots = camera.mat_from_px(np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2))
    v, u = np.meshgrid(*(np.arange(n, dtype=np.float32) / KNOT_PX for n in (height, width)), indexing="ij")
    grid = knots.reshape(len(rows), len(columns), 2).astype(np.float32)
    return np.asarray(cv2.remap(grid, u, v, cv2.INTER_LINEAR), np.float32)


def _along(excess: Floats32, bare: Bools, camera: Pinhole, x_mm: Floats, y_mm: Floats) -> Floats32:
    """(N, 3): the median along each line (N, M) of places in the mat frame; NaN where cloth may cover half of it."""
    px = camera.px_from_mat(np.stack([x_mm, y_mm], axis=-1).reshape(-1, 2)).reshape(*x_mm.shape, 2).astype(np.float32)
    across, down = np.ascontiguousarray(px[..., 0]), np.ascontiguousarray(px[..., 1])
    seen = np.asarray(cv2.remap(excess, across, down, cv2.INTER_LINEAR), np.float32)
    inside = cv2.remap(bare.astype(np.uint8), across, down, cv2.INTER_NEAREST) > 0
    seen[~inside] = np.nan
    known = np.count_nonzero(inside, axis=1) >= LEAST
    profile = np.full((len(seen), 3), np.nan, np.float32)
    profile[known] = np.nanmedian(seen[known], axis=1)
    strays = np.full(len(seen), np.inf)
    strays[known] = np.nanmedian(np.abs(seen[known, :, 0] - profile[known, None, 0]), axis=1)
    profile[strays > APART * max(float(np.percentile(strays, 25)), EVEN)] = np.nan
    return profile


def _thin(profile: Floats32, widest: int) -> Floats32:
    """(N, 3): the ink in a profile, no wider than so many of its steps; 0 where there is none or it is not known."""
    padded = np.pad(profile, ((widest, widest), (0, 0)), constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * widest + 1, axis=0)
    known = np.isfinite(profile).all(axis=1)
    thin = np.zeros_like(profile)
    if np.count_nonzero(known) < LEAST:
        return thin
    thin[known] = profile[known] - np.nanmedian(around[known], axis=-1)
    light = np.ascontiguousarray(thin[:, :1])
    # What is left of grain and noise is no line.
    ink = np.abs(light) > max(INK * bare_spread(light[known].ravel()), LEAST_INK)
    near = cv2.dilate(ink.astype(np.uint8), np.ones((widest | 1, 1), np.uint8)) > 0
    return np.where(near.reshape(-1, 1), thin, np.float32(0.0))


def _at(profile: Floats32, place: Floats32) -> Floats32:
    """(H, W, 3) of a profile (N, 3) at places (H, W) in its steps."""
    level = np.zeros_like(place)
    return np.asarray(
        cv2.remap(profile[None], place, level, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )
