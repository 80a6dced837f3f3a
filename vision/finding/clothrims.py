"""Where strong cloth has its rim, for neighbours that lie so close that all between them seems cloth.

Cloth that differs by many times the noise differs surely some pixels beyond its rim still, where a lens spreads its
light; there it meets its neighbour's. Its rim lies where it differs by half. All in cells of 2 x 2 px (see `contrast`).
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.finding.contrast import Mask
from vision.finding.mat import Scene
from vision.medians import median

HALF = 0.5
NEARBY_CELLS = 2  # each way: farther off lies other cloth
STRONG = 8.0  # standard deviations of a pixel: half of it is no noise
LINE_SHARE = 0.25  # what is so much brighter or darker than the mat around is one of its lines
LINE_CELLS = 3  # beside a line that it hides, any cloth differs less


def within_half(scene: Scene, box: tuple[slice, slice]) -> tuple[Mask, Mask]:
    """1 in the cells of a box that differ from the mat by half of what is nearby at least.

    And 1 in those that do not where no line of the mat makes the difference.
    """
    bare = scene.mat.cells[box]
    off = np.asarray((scene.seen.cells[box] - bare) / scene.noise, np.float32)
    size = np.sqrt(np.sum(off * off, axis=2))
    nearby = cv2.dilate(cv2.blur(size, (3, 3)), _square(NEARBY_CELLS))
    halved = np.asarray(size > HALF * nearby, np.uint8)
    level = median(bare[..., 0])
    lined = np.asarray(np.abs(bare[..., 0] - level) > LINE_SHARE * level, np.uint8)
    beside = cv2.dilate(lined, _square(LINE_CELLS))
    figures = (halved == 0) & (beside == 0) & (nearby > STRONG)
    return halved, np.asarray(figures, np.uint8)


def _square(cells: int) -> Mask:
    return np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)
