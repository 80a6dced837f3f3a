"""Two fabrics in one piece, of which one hardly differs from the mat: the other's contrast hides it along their seam.

Beside strong cloth weak cloth is not looked for, since compression and sharpening leave as much there (`contrast`).
Where it was found farther on, the light between says whether it begins at the strong cloth.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.contrast import CELL_PX, HALO, HALO_CELLS, SIZES, Mask, in_pixels
from vision.finding.gaps import joined
from vision.finding.mat import Scene

HIDDEN_CELLS = HALO_CELLS + SIZES[1] // 2 + 2  # as far as strong cloth hides weak, and what opening takes off
AROUND_CELLS = 5  # beside both, in which their light is seen to spread

Patch = tuple[tuple[int, int], Mask]  # x and y of its box, in cells, and its mask there


def halves_of(scene: Scene, patches: list[Patch]) -> list[list[int]]:
    """Which patches, by their numbers, are one piece of cloth each; most are one by themselves."""
    boxes = [np.array([*at, at[0] + mask.shape[1], at[1] + mask.shape[0]]) for at, mask in patches]
    groups = [[k] for k in range(len(patches))]
    for i, j in combinations(range(len(patches)), 2):
        apart = np.maximum(boxes[i][:2] - boxes[j][2:], boxes[j][:2] - boxes[i][2:])
        if (
            apart.max() < HIDDEN_CELLS
            and _hides(scene, patches[i], patches[j])
            and _is_one(scene, patches[i], patches[j])
        ):
            first, second = (next(group for group in groups if k in group) for k in (i, j))
            if first is not second:
                first += second
                groups.remove(second)
    return groups


def _hides(scene: Scene, one: Patch, other: Patch) -> bool:
    """Whether one of two patches has so much more contrast that the other is not seen beside it."""
    (a, b) = sorted(_contrast(scene, each) for each in (one, other))
    return a < HALO * b


def _contrast(scene: Scene, patch: Patch) -> float:
    (x, y), mask = patch
    squared = scene.contrast.squared[y : y + mask.shape[0], x : x + mask.shape[1]]
    return float(np.sqrt(cv2.mean(squared, mask)[0]))


def _is_one(scene: Scene, one: Patch, other: Patch) -> bool:
    """Whether no mat shows between two patches."""
    ends = [(at, np.array(at) + mask.shape[::-1]) for at, mask in (one, other)]
    low = np.maximum(np.minimum(ends[0][0], ends[1][0]) - AROUND_CELLS, 0)
    high = np.minimum(np.maximum(ends[0][1], ends[1][1]) + AROUND_CELLS, scene.seen.cells.shape[1::-1])
    numbers = np.zeros((high - low)[::-1], np.uint8)
    for k, ((x, y), mask) in enumerate((one, other)):
        numbers[y - low[1] : y - low[1] + mask.shape[0], x - low[0] : x - low[0] + mask.shape[1]][mask > 0] = k + 1
    in_px = in_pixels(numbers)[: scene.shape[0] - low[1] * CELL_PX, : scene.shape[1] - low[0] * CELL_PX]
    everywhere: NDArray[np.uint8] = np.ones_like(in_px)
    corner_px = int(low[0]) * CELL_PX, int(low[1]) * CELL_PX
    return joined(scene, corner_px, in_px, everywhere, HIDDEN_CELLS * CELL_PX) == [0, 0]
