"""What differs from the bare mat and yet is the mat: an arm's, a stand's or a box's shadow.

A shadow multiplies the mat's light. The mat's own fine detail, its lines, mottle and grain, goes on in it by that same
share, and so does its colour, about; cloth hides both. On a mat without any detail nothing tells a shadow from cloth.
All in cells of 2 x 2 px (see `contrast`).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.mat import Scene
from vision.light import bgr_of

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

FINE_CELLS, BROAD_CELLS = 3, 15  # detail is what means over the first show and means over the second do not
DARKEST = 0.15  # of the mat's light; where less is left nothing of it shows
EVEN = 0.3  # by so much the shares of blue, green and red may differ: two lights differ in colour, and one is left
STEEP = 0.09  # of the mat's light per cell: an edge of cloth, or of a hard shadow
SHOWS = 0.5  # of the detail at least must go on, less is lost in the noise of both pictures
SURE = 6.0  # standard deviations
BETWEEN = np.ones((7, 7), np.uint8)  # what is no wider lies between the cells around it
BLOCK_CELLS = 8  # within which errors of the detail belong together
WINDOW_CELLS = 25  # over which it is seen whether the detail ends
HIDES = 3.0  # standard deviations
RIM_CELLS = 4  # a shadow's own soft or blurred edge
TOLERANCE = 0.1  # of the mat's light, in that edge
DARK = 1e-4  # linear light below which a share says nothing


def shade_in(scene: Scene, box: tuple[slice, slice], differs: NDArray[np.uint8], least_cells: float) -> Mask:
    """Which cells of a box (slices of rows and columns) are the mat in a shadow, of those that differ from it.

    `differs` is (h, w) of the box. Patches of fewer than `least_cells` cells are not looked at.
    """
    seen, bare = _fine(scene.seen.cells[box]), _fine(scene.mat.cells[box])
    share = np.asarray(np.maximum(seen[..., 0], 0.0) / np.maximum(bare[..., 0], DARK), np.float32)
    dimmed = (differs > 0) & (share < 1.0)
    nothing = np.zeros(differs.shape, bool)
    if np.count_nonzero(dimmed) < least_cells:
        return nothing
    blue, green, red = cv2.split(bgr_of(seen) / np.maximum(bgr_of(bare), DARK))
    apart = cv2.max(cv2.max(blue, green), red) - cv2.min(cv2.min(blue, green), red)
    even = apart < EVEN * np.maximum(share, DARKEST)
    steep = np.hypot(cv2.Sobel(share, cv2.CV_32F, 1, 0), cv2.Sobel(share, cv2.CV_32F, 0, 1)) / 8.0
    flat = (dimmed & even & (steep < STEEP)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4, ltype=cv2.CV_32S)
    found = nothing
    for k in range(1, count):
        x, y, width, height, area = (int(one) for one in stats[k])
        if area < least_cells:
            continue
        at = slice(y, y + height), slice(x, x + width)
        own = labels[at] == k
        # Cells chosen for being darker than the mat follow its noise: those between them have their say, too.
        shown = (cv2.morphologyEx(own.astype(np.uint8), cv2.MORPH_CLOSE, BETWEEN) > 0) & (differs[at] > 0)
        if _mat_shows(seen[at][..., 0], bare[at][..., 0], shown, least_cells):
            found = found | _with_rim(labels == k, share, even & (differs > 0))
    return found


def _mat_shows(seen: Floats32, bare: Floats32, where: Mask, least_cells: float) -> bool:
    """Whether light (h, w) follows the bare mat's fine detail there, by the share that is left of its light.

    All over: where cloth of about the same light lies in a shadow, the detail ends at it.
    """
    left = float(seen[where].sum() / max(float(bare[where].sum()), DARK))
    if left < DARKEST:
        return False
    of_seen, of_mat = (np.where(where, _mean_off(one, where), 0.0) for one in (seen, bare * np.float32(left)))
    square, product = of_mat * of_mat, of_mat * of_seen
    gain = float(product.sum() / max(float(square.sum()), 1e-12))
    rest = (product - gain * square)[where]
    rows, columns = np.nonzero(where)
    together = np.bincount((rows // BLOCK_CELLS) * where.shape[1] + columns // BLOCK_CELLS, weights=rest)
    u = float(np.sqrt(together @ together)) / max(float(square.sum()), 1e-12)
    if not (gain > SHOWS and gain > SURE * u):
        return False
    here, there = _sums(square), _sums(product)
    # Means over 3 x 3 cells err together: nine of them are one.
    here_u = FINE_CELLS * np.sqrt(np.maximum(_sums((product - SHOWS * square) ** 2), 0.0))
    hidden = where & (there + HIDES * here_u < SHOWS * here)
    return bool(np.count_nonzero(hidden) < least_cells)


def _sums(light: Floats32 | Floats) -> Floats32:
    """(h, w): of what lies within half a window each way."""
    size = (WINDOW_CELLS, WINDOW_CELLS)
    total = cv2.boxFilter(light.astype(np.float32), -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(total, np.float32)


def _mean_off(light: Floats32, where: Mask) -> Floats32:
    """(h, w) light less its mean nearby, of cells `where` alone."""
    weight = where.astype(np.float32)
    size = (BROAD_CELLS, BROAD_CELLS)
    near = cv2.boxFilter(weight, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    total = cv2.boxFilter(light * weight, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(light - total / np.maximum(near, 1.0), np.float32)


def _with_rim(patch: Mask, share: Floats32, possible: Mask) -> Mask:
    """A patch of shade, and its edge: what lies beside it and is neither darker than it nor brighter than the mat."""
    darkest = float(np.percentile(share[patch], 2))
    size = 2 * RIM_CELLS + 1
    beside = cv2.dilate(patch.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    between = (share > darkest - TOLERANCE) & (share < 1.0 + TOLERANCE)
    return patch | (beside & between & possible)


def _fine(levels: Floats32) -> Floats32:
    return np.asarray(cv2.blur(levels, (FINE_CELLS, FINE_CELLS)), np.float32)
