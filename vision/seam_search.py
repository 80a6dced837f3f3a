"""Which lines may be seams? For every direction and place of a line: how much better do two fabrics explain the pixels?

Normal likelihood with each part's own mean and covariance, so a change of texture counts too. Pixels are summed into
small cells first, and the cells into bins across each direction: all lines are tried in one go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.light import byte_step
from vision.mat import Scene
from vision.medians import median
from vision.polygons import depths, signed_area

Floats = NDArray[np.float64]

LEAST_PART = 0.08  # of the area must be on either side
BINS = 64
CELLS = 1600  # of a piece, about: some 40 each way; coarser ones part prints at the wrong turn
FEWEST_CELLS, FEWEST_PIXELS = 12, 100
SHADE_PX = 41.0  # the light falls off over more than this
PAIRS = np.array([(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]).T
EVERY = 3  # so many directions are skipped at first; a seam gains much of its own in the nearest to it
AT_FIRST = 0.7  # of what a seam must gain is asked for then


@dataclass(frozen=True, eq=False, slots=True)
class Cells:
    """Squares of pixels of a piece: where they lie, and their levels with the light's slow fall-off divided out."""

    places_mat_mm: Floats  # (C, 2) their middles
    moments: Floats  # (10, C) sums of 1, x and x x' over their pixels
    noise: Floats  # (3,) of one pixel

    def where(self, keep: NDArray[np.bool_]) -> Cells:
        """Only those where `keep` (C,) is True."""
        return Cells(self.places_mat_mm[keep], self.moments[:, keep], self.noise)

    @property
    def pixels(self) -> int:
        """How many pixels they hold."""
        return round(float(self.moments[0].sum()))


def inner_cells(scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, rim_mm: float) -> Cells | None:
    """Cells more than `rim_mm` inside an outline (N, 2); None where there are few."""
    outline_px = camera.px_from_mat(outline, height_mm)
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 1, scene.levels.shape[1::-1])
    area_px = abs(signed_area(outline_px))
    size = max(1, round(math.sqrt(area_px / CELLS)))
    count = (high - low) // size
    if min(count) < 1:
        return None
    x, y = np.meshgrid(*(low[k] + size * (np.arange(count[k]) + 0.5) - 0.5 for k in range(2)))
    places = camera.mat_from_px(np.column_stack([x.ravel(), y.ravel()]), height_mm)
    half_mm = 0.5 * size * math.sqrt(abs(signed_area(outline)) / area_px)
    use = depths(places, outline) > rim_mm + half_mm
    cells = int(np.count_nonzero(use))
    if cells < FEWEST_CELLS or cells * size * size < FEWEST_PIXELS:
        return None
    (width, height), (left, top) = count * size, low
    box = slice(top, top + height), slice(left, left + width)
    shade = _shade(scene, box, (int(count[0]), int(count[1])), size)
    moments = _moments(np.ascontiguousarray(scene.levels[box]), size)[:, use] * float(size**2)
    moments[1:4] /= shade[use]
    moments[4:] /= shade[use] ** 2
    # Light cloth is encoded in coarser steps than the mat; compression leaves such a step between its blocks.
    coarseness = byte_step(median(moments[1] / moments[0]), scene.tone)
    return Cells(places[use], moments, np.maximum(scene.noise, coarseness))


def _shade(scene: Scene, box: tuple[slice, slice], count: tuple[int, int], size: int) -> Floats:
    """(C,) of a box of cells: how the light falls off over the bare mat there, 1 in the middle."""
    bare = cv2.resize(np.ascontiguousarray(scene.bare[(*box, 0)]), count, interpolation=cv2.INTER_AREA)
    shade = np.maximum(cv2.blur(bare, (max(1, round(SHADE_PX / size)),) * 2), 1e-4).astype(np.float64).ravel()
    return np.asarray(shade / median(shade))


def _moments(levels: NDArray[np.float32], size: int) -> Floats:
    """(10, C): 1 and the means of x and x x' over the cells of a picture (h, w, 3)."""
    count = levels.shape[1] // size, levels.shape[0] // size

    def means(image: NDArray[np.float32]) -> Floats:
        return np.asarray(cv2.resize(image, count, interpolation=cv2.INTER_AREA), np.float64).ravel()

    # From a level of their own, or little would be left of the squares' digits.
    middle = [float(one) for one in cv2.mean(levels)[:3]]
    channels = [np.subtract(one, np.float32(at)) for one, at in zip(cv2.split(levels), middle, strict=True)]
    x = [means(one) for one in channels]
    xx = [
        means(cv2.multiply(channels[i], channels[j])) + middle[i] * x[j] + middle[j] * x[i] + middle[i] * middle[j]
        for i, j in PAIRS.T
    ]
    return np.array([np.ones_like(x[0]), *(one + at for one, at in zip(x, middle, strict=True)), *xx])


def best_line(cells: Cells, least_gain: float, turns_rad: Floats) -> Floats | None:
    """(2, 2): two points of the line that best parts the cells into two fabrics; None if none gains enough.

    `least_gain` is in nats a pixel; `turns_rad` (K,) are the directions across the line that are tried, in order.
    """
    if len(turns_rad) >= 4 * EVERY:
        rough = _best_of(cells, turns_rad[::EVERY])
        if rough is None or rough[0] < AT_FIRST * least_gain:
            return None
        near = EVERY * rough[1] + np.arange(1 - EVERY, EVERY)
        turns_rad = turns_rad[near % len(turns_rad)]
    best = _best_of(cells, turns_rad)
    return None if best is None or best[0] <= least_gain else best[2]


def _best_of(cells: Cells, turns_rad: Floats) -> tuple[float, int, Floats] | None:
    """The greatest gain, in which direction it is, and two points (2, 2) of the line."""
    places, moments = cells.places_mat_mm, cells.moments
    middle, total = places.mean(axis=0), moments.sum(axis=1)
    normals = np.column_stack([np.cos(turns_rad), np.sin(turns_rad)])
    across = normals @ (places - middle).T  # (K, C)
    low = across.min(axis=1, keepdims=True)
    width = (across.max(axis=1, keepdims=True) - low + 1e-9) / BINS
    bins = np.minimum(((across - low) / width).astype(np.int64), BINS - 1)
    bins += BINS * np.arange(len(normals))[:, None]
    many, bins = BINS * len(normals), bins.ravel()
    sums = [np.bincount(bins, np.tile(one, len(normals)), many).reshape(-1, BINS) for one in moments]
    below = np.cumsum(np.array(sums, np.float64), axis=2)[:, :, :-1]  # (10, K, BINS - 1)
    share = below[0] / total[0]
    gain = 0.5 * (
        _log_det(total, cells.noise)
        - share * _log_det(below, cells.noise)
        - (1.0 - share) * _log_det(total[:, None, None] - below, cells.noise)
    )
    gain[(share <= LEAST_PART) | (share >= 1.0 - LEAST_PART)] = -np.inf
    k, place = (int(one) for one in np.unravel_index(int(np.argmax(gain)), gain.shape))
    if not np.isfinite(gain[k, place]):
        return None
    at = middle + normals[k] * float(low[k, 0] + (place + 1) * width[k, 0])
    along = np.array([-normals[k, 1], normals[k, 0]])
    return float(gain[k, place]), k, np.array([at, at + along])


def _log_det(moments: Floats, noise: Floats) -> Floats:
    """Log determinant of the covariance behind sums (10, ...) of 1, x, x x'."""
    count = np.maximum(moments[0], 1.0)
    mean = moments[1:4] / count
    first, second = PAIRS
    a, b, c, d, e, f = moments[4:] / count - mean[first] * mean[second]
    a, d, f = a + noise[0] ** 2, d + noise[1] ** 2, f + noise[2] ** 2
    return np.asarray(np.log(np.maximum(a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d), 1e-300)))
