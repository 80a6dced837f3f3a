"""Which lines may be seams? For every direction and place of a line: how much better do two fabrics explain the pixels?

Normal likelihood with each part's own mean and covariance, so a change of texture counts too. Pixels are summed into
small cells first, and the cells into bins across each direction: all lines are tried in one go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.light import byte_step
from vision.mat import Scene, smooth
from vision.polygons import depths

Floats = NDArray[np.float64]

LEAST_PART = 0.08  # of the area must be on either side
BINS = 64
MOST_PIXELS = 6000
CELLS = 40  # across the piece's longer side: finer than bins are, taken all round
PAIRS = np.array([(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]).T


@dataclass(frozen=True, eq=False, slots=True)
class Pixels:
    """Pixels of a piece: places on the mat (N, 2), levels (N, 3) with the light's slow fall-off divided out, noise."""

    places_mat_mm: Floats
    levels: Floats
    noise: Floats  # (3,)

    def where(self, keep: NDArray[np.bool_]) -> Pixels:
        """Only those where `keep` (N,) is True."""
        return Pixels(self.places_mat_mm[keep], self.levels[keep], self.noise)


def inner_pixels(scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, rim_mm: float) -> Pixels | None:
    """Up to `MOST_PIXELS` pixels more than `rim_mm` inside an outline (N, 2); None where there are few."""
    outline_px = camera.px_from_mat(outline, height_mm)
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 1, [scene.levels.shape[1], scene.levels.shape[0]])
    step = max(1, math.floor(math.sqrt(float(np.prod(high - low)) / (2.0 * MOST_PIXELS))))
    ys, xs = np.mgrid[low[1] : high[1] : step, low[0] : high[0] : step]
    places = camera.mat_from_px(np.column_stack([xs.ravel(), ys.ravel()]).astype(float), height_mm)
    use = depths(places, outline) > rim_mm
    if np.count_nonzero(use) < 100:
        return None
    x, y = xs.ravel()[use], ys.ravel()[use]
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    shade = np.maximum(smooth(scene.bare[box], 41)[y - low[1], x - low[0], :1].astype(np.float64), 1e-4)
    shade /= float(np.median(shade))
    levels = scene.levels[y, x].astype(np.float64) / shade
    # Light cloth is encoded in coarser steps than the mat; compression leaves such a step between its blocks.
    coarseness = byte_step(float(np.median(levels[:, 0])), scene.tone)
    return Pixels(places[use], levels, np.maximum(scene.noise, coarseness))


def best_line(pixels: Pixels, least_gain: float, turns_rad: Floats) -> Floats | None:
    """(2, 2): two points of the line that best parts the pixels into two fabrics; None if none gains enough.

    `least_gain` is in nats a pixel; `turns_rad` (K,) are the directions across the line that are tried.
    """
    places, moments = _cells(pixels)
    middle, total = places.mean(axis=0), moments.sum(axis=1)
    normals = np.column_stack([np.cos(turns_rad), np.sin(turns_rad)])
    across = normals @ (places - middle).T  # (K, C)
    low = across.min(axis=1, keepdims=True)
    width = (across.max(axis=1, keepdims=True) - low + 1e-9) / BINS
    bins = np.minimum(((across - low) / width).astype(np.int64), BINS - 1)
    bins += BINS * np.arange(len(normals))[:, None]
    many = BINS * len(normals)
    sums = [np.bincount(bins.ravel(), np.tile(one, len(normals)), many).reshape(-1, BINS) for one in moments]
    below = np.cumsum(np.array(sums, np.float64), axis=2)[:, :, :-1]  # (10, K, BINS - 1)
    share = below[0] / total[0]
    gain = 0.5 * (
        _log_det(total, pixels.noise)
        - share * _log_det(below, pixels.noise)
        - (1.0 - share) * _log_det(total[:, None, None] - below, pixels.noise)
    )
    gain[(share <= LEAST_PART) | (share >= 1.0 - LEAST_PART)] = -np.inf
    k, place = np.unravel_index(int(np.argmax(gain)), gain.shape)
    if not gain[k, place] > least_gain:
        return None
    at = middle + normals[k] * float(low[k, 0] + (place + 1) * width[k, 0])
    along = np.array([-normals[k, 1], normals[k, 0]])
    return np.array([at, at + along])


def _cells(pixels: Pixels) -> tuple[Floats, Floats]:
    """Mean places (C, 2) of the pixels in each cell, and sums (10, C) of 1, x and x x' over them."""
    places, x = pixels.places_mat_mm, pixels.levels
    low = places.min(axis=0)
    size = max(float(np.max(places.max(axis=0) - low)) / CELLS, 1e-9)
    column, row = ((places - low) / size).astype(np.int64).T
    _, cell = np.unique(column * (CELLS + 2) + row, return_inverse=True)
    first, second = PAIRS
    moments = np.column_stack([np.ones(len(x)), x, x[:, first] * x[:, second]]).T
    sums = np.array([np.bincount(cell, one) for one in moments])
    means = np.array([np.bincount(cell, one) for one in places.T]) / sums[0]
    return means.T, sums


def _log_det(moments: Floats, noise: Floats) -> Floats:
    """Log determinant of the covariance behind sums (10, ...) of 1, x, x x'."""
    count = np.maximum(moments[0], 1.0)
    mean = moments[1:4] / count
    first, second = PAIRS
    a, b, c, d, e, f = moments[4:] / count - mean[first] * mean[second]
    a, d, f = a + noise[0] ** 2, d + noise[1] ** 2, f + noise[2] ** 2
    return np.asarray(np.log(np.maximum(a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d), 1e-300)))
