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
from vision.finding.contrast import CELL_PX
from vision.finding.mat import Scene
from vision.light import byte_step
from vision.medians import median
from vision.polygons import signed_area
from vision.seams.parting import best_parting, cells_inside, moments_of

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

CELLS = 1600  # of a piece, about: some 40 each way; coarser ones part prints at the wrong turn
FEWEST_CELLS, FEWEST_PIXELS = 12, 100
SHADE_PX = 41.0  # the light falls off over more than this
EVERY = 3  # so many directions are skipped at first; a seam gains much of its own in the nearest to it
AT_FIRST = 0.7  # of what a seam must gain is asked for then


@dataclass(frozen=True, eq=False, slots=True)
class Cells:
    """Squares of pixels of a piece: where they lie, and their levels with the light's slow fall-off divided out."""

    places_mat_mm: Floats  # (C, 2) their middles
    moments: Floats  # (C, 10) sums of 1, x and x x' over their pixels
    noise: Floats  # (3,) of one pixel

    def where(self, keep: NDArray[np.bool_]) -> Cells:
        """Only those where `keep` (C,) is True."""
        return Cells(self.places_mat_mm[keep], self.moments[keep], self.noise)

    @property
    def width_mm(self) -> float:
        """Of one of them, about."""
        return math.sqrt(float(np.prod(np.ptp(self.places_mat_mm, axis=0))) / len(self.places_mat_mm))

    @property
    def pixels(self) -> int:
        """How many pixels they hold."""
        return round(float(self.moments[:, 0].sum()))


def inner_cells(scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, rim_mm: float) -> Cells | None:
    """Cells more than `rim_mm` inside an outline (N, 2); None where there are few."""
    outline_px = camera.px_from_mat(outline, height_mm)
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 1, scene.shape[::-1])
    area_px = abs(signed_area(outline_px))
    size = max(1, round(math.sqrt(area_px / CELLS)))
    count = (high - low) // size
    if min(count) < 1:
        return None
    half_mm = 0.5 * size * math.sqrt(abs(signed_area(outline)) / area_px)
    ends_px = low - 0.5 + size * count * np.array([0.0, 0.5, 1.0])[:, None]
    nodes_px = np.empty((3, 3, 2))
    nodes_px[..., 0], nodes_px[..., 1] = ends_px[:, 0], ends_px[:, 1:]
    nodes = camera.mat_from_px(nodes_px.reshape(9, 2), height_mm).reshape(3, 3, 2)
    use, places = cells_inside(nodes, int(count[0]), int(count[1]), np.ascontiguousarray(outline), rim_mm + half_mm)
    if len(use) < FEWEST_CELLS or len(use) * size * size < FEWEST_PIXELS:
        return None
    (width, height), (left, top), (across, down) = (count * size).tolist(), low.tolist(), count.tolist()
    box = slice(top, top + height), slice(left, left + width)
    shade = _shade(scene.mat.cells, box, (across, down), size)
    moments = moments_of(scene.seen.about(box), use, across, (left, top), size, shade)
    # Light cloth is encoded in coarser steps than the mat; compression leaves such a step between its blocks.
    coarseness = byte_step(median(moments[:, 1]) / size**2, scene.tone)
    return Cells(places, moments, np.maximum(scene.noise, coarseness))


def _shade(mat: Floats32, box: tuple[slice, slice], count: tuple[int, int], size: int) -> Floats:
    """(C,) of a box of pixels, `count` squares of `size`: how the light falls off over the bare mat, 1 in the middle.

    `mat` (h, w, 3) are its levels in cells: so slow a change is no other in pixels.
    """
    rows, columns = (slice(at.start // CELL_PX, -(-at.stop // CELL_PX)) for at in box)
    bare = cv2.resize(np.ascontiguousarray(mat[rows, columns, 0]), count, interpolation=cv2.INTER_AREA)
    shade = np.maximum(cv2.blur(bare, (max(1, round(SHADE_PX / size)),) * 2), 1e-4).astype(np.float64).ravel()
    return np.asarray(shade / median(shade))


def best_line(cells: Cells, least_gain: float, turns_rad: Floats) -> tuple[Floats, float] | None:
    """Two points (2, 2) of the line that best parts the cells in two fabrics, and its gain; None if none gains enough.

    `least_gain` is in nats a pixel; `turns_rad` (K,) are the directions across the line that are tried, in order.
    """
    if len(turns_rad) >= 4 * EVERY:
        rough = _best_of(cells, turns_rad[::EVERY])
        if rough is None or rough[0] < AT_FIRST * least_gain:
            return None
        near = EVERY * rough[1] + np.arange(1 - EVERY, EVERY)
        turns_rad = turns_rad[near % len(turns_rad)]
    best = _best_of(cells, turns_rad)
    return None if best is None or best[0] <= least_gain else (best[2], best[0])


def _best_of(cells: Cells, turns_rad: Floats) -> tuple[float, int, Floats] | None:
    """The greatest gain, in which direction it is, and two points (2, 2) of the line."""
    normals = np.column_stack([np.cos(turns_rad), np.sin(turns_rad)])
    gain, k, at_mm = best_parting(cells.places_mat_mm, cells.moments, cells.noise, normals)
    if not np.isfinite(gain):
        return None
    at = normals[k] * at_mm
    return gain, k, np.array([at, at + np.array([-normals[k, 1], normals[k, 0]])])
