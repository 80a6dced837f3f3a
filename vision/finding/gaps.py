"""Whether the bare mat shows between parts of a region, or cloth: a print's stripe, a fabric near the mat's colour."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.mat import Scene
from vision.medians import median, medians

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

GAP_PX = 14.0  # two parts farther apart have no gap between them
MAT_LEVEL = 3.5  # standard deviations of one pixel's difference up to which a gap may well be bare mat
BARE_SHARE = 0.35  # of the weaker neighbour's contrast: a gap of more is cloth
NEAR_GAP_PX = 40.0
LINE_SHARE = 0.25  # what is so much brighter or darker than the mat around is one of its lines
SPREAD_PX = 8  # so far a lens and a camera's sharpening spread the light of cloth
SPREAD_DOUBT = 0.3  # of that light
SMEARED = 0.2  # of two neighbours' colour
FEW = 8  # pixels tell nothing


def joined(
    scene: Scene,
    corner_px: tuple[int, int],
    parts: NDArray[np.uint8],
    whole: NDArray[np.uint8],
    most_px: float = GAP_PX,
) -> list[int]:
    """For each of some parts of a region the least number of those that it is one piece with: no mat shows between.

    `parts` (h, w) numbers them from 1 on in a box of pixels whose first is at `corner_px` (x, y), 0 elsewhere; `whole`
    is 1 in the region with its gaps, which are less than `most_px` wide.
    """
    (x, y), (height, width) = corner_px, parts.shape
    box = slice(y, y + height), slice(x, x + width)
    levels, bare = scene.seen.some(box), scene.mat.some(box)
    noise = np.maximum(scene.noise, 0.5 * scene.step).astype(np.float32)
    off = np.asarray((levels - bare) / noise, np.float32)
    many = int(parts.max())
    away = np.stack([cv2.distanceTransform((parts != k + 1).view(np.uint8), cv2.DIST_L2, 3) for k in range(many)])
    first, second = np.argpartition(away, 1, axis=0)[:2]
    near, far = np.partition(away, 1, axis=0)[:2]
    gaps = (whole > 0) & (near > 0) & (near + far < most_px)
    spread = _spread(off, away, near + far >= most_px)
    level = median(bare[..., 0])
    plain = np.abs(bare[..., 0] - level) < LINE_SHARE * level
    group = list(range(many))
    for i in range(many):
        for j in range(i + 1, many):
            gap = gaps & (np.minimum(first, second) == i) & (np.maximum(first, second) == j)
            if not gap.any():
                continue
            middle = gap & (near > 0.6 * np.percentile(near[gap], 95))
            beside = [(parts == k + 1) & (far < NEAR_GAP_PX) for k in (i, j)]
            seen = [off[one] for one in beside]
            if 2 * np.count_nonzero(middle & plain) >= np.count_nonzero(middle):
                shows = _is_mat(off, spread, middle & plain, seen, MAT_LEVEL)
            else:  # Cloth on both sides of a line of the mat may happen to have the line's own light, and be one piece.
                line = medians(levels[middle]).astype(np.float32)
                other = min(_contrast((levels[one] - line) / noise) for one in beside)
                shows = other > MAT_LEVEL and _is_mat(off, spread, middle, seen, np.inf)
            if not shows:
                group = [group[i] if one == group[j] else one for one in group]
    return group


def _is_mat(off: Floats32, spread: Floats32, middle: Mask, beside: Sequence[Floats32], most: float) -> bool:
    """Whether the middle of a gap shows the mat, its light as it is or without what its neighbours spread there.

    `most` standard deviations are the mat still. What neighbours spread is known to a part of it only: where two come
    near together, none of it is seen alone. Colour is told in squares of two pixels and more by what compresses
    pictures, and so is smeared over a narrow gap.
    """
    contrasts = [medians(np.abs(one)) for one in beside]
    least = BARE_SHARE * min(float(np.linalg.norm(one)) for one in contrasts)
    smeared = np.array([0.0, SMEARED, SMEARED]) * np.sum(contrasts, axis=0)
    seen, added = np.abs(medians(off[middle])), medians(spread[middle])
    without = np.abs(medians(off[middle] - spread[middle]))
    for left, doubt in ((seen, smeared), (without, smeared + SPREAD_DOUBT * np.abs(added))):
        if np.linalg.norm(left) < least and np.linalg.norm(np.maximum(left - doubt, 0.0)) < most:
            return True
    return False


def _spread(off: Floats32, away: Floats32, alone: Mask) -> Floats32:
    """(h, w, 3): of a difference `off` each part's light, told by its distance `away` (N, h, w) where it is `alone`."""
    spread, off, free = np.zeros((alone.size, 3), np.float32), off.reshape(-1, 3), alone.ravel()
    for one in away:
        near = np.flatnonzero((one > 0) & (one < SPREAD_PX))
        steps = np.rint(one.ravel()[near])
        for step in range(1, SPREAD_PX):
            here = near[steps == step]
            seen = here[free[here]]
            if len(seen) >= FEW:
                spread[here] += medians(off[seen]).astype(np.float32)
    return spread.reshape(*alone.shape, 3)


def _contrast(off: Floats32) -> float:
    return float(np.linalg.norm(medians(np.abs(off)))) if len(off) else 0.0
