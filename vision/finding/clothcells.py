"""Which cells of a picture are cloth: not what compression leaves around strong edges, but weak cloth up to its rim."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.finding.contrast import CODED_CELLS, LEVEL, Mask

SPECK_AREA, SPECK_SHARE = 25, 0.12  # what is smaller (cells) and has less of the contrast nearby is compression's
WEAK = 2.0 * LEVEL  # what has less shows up to its rim no more


def without_specks(differs: Mask, squared: NDArray[np.float32]) -> Mask:
    """Without what compression leaves around strong edges, within the square that it codes at once.

    `squared` is the squared contrast. Such specks are small and weak beside what they surround.
    """
    count, labels = cv2.connectedComponents(differs, connectivity=8, ltype=cv2.CV_32S)
    cells = _in_small(np.asarray(labels, np.int32).ravel(), count, SPECK_AREA)
    if not len(cells):
        return differs
    (y, x), at = np.divmod(cells, differs.shape[1]), labels.ravel()[cells]
    own, nearby = np.zeros(count, np.float32), np.zeros(count, np.float32)
    around = cv2.dilate(squared, np.ones((2 * CODED_CELLS + 1,) * 2, np.uint8))
    np.maximum.at(own, at, squared[y, x])
    np.maximum.at(nearby, at, around[y, x])
    left = differs.copy()
    dropped = own < SPECK_SHARE**2 * nearby
    left[y[dropped[at]], x[dropped[at]]] = 0
    return left


@compiled
def _in_small(labels: NDArray[np.int32], count: int, area: int) -> NDArray[np.int64]:
    """(N,) which of the cells (M,) are in those of `count` parts that are smaller than `area`; label 0 is no part.

    OpenCV's own statistics take ten times as long as its labels.
    """
    areas, found, many = np.zeros(count, np.int64), np.empty(count * area, np.int64), 0
    for label in labels:
        if label:
            areas[label] += 1
    small = areas < area
    small[0] = False
    if small.any():
        for i in range(len(labels)):
            if small[labels[i]]:
                found[many] = i
                many += 1
    return found[:many].copy()


def weak_cloth(sure: Mask, likely: Mask, squared: NDArray[np.float32], least_area: float, found: Mask) -> Mask:
    """What is likely cloth and hangs together with weak cloth, `least_area` cells of it found at least; that with it.

    `found` is 1 where cells are surely cloth, or lie between such. All are (h, w).
    A rim lies where the contrast is half the cloth's: of weak cloth that is less than noise allows to be sure of.
    """
    both = sure | likely
    count, labels = cv2.connectedComponents(both, connectivity=8, ltype=cv2.CV_32S)
    return _weak_parts(sure, both, found, np.asarray(labels, np.int32), count, squared, least_area, WEAK**2)


@compiled
def _weak_parts(
    sure: Mask,
    both: Mask,
    held: Mask,
    labels: NDArray[np.int32],
    count: int,
    squared: NDArray[np.float32],
    least: float,
    weak: float,
) -> Mask:
    """(h, w): those of `count` parts of `both` that hold more than `sure` cells, and so many of `held` at least.

    Of the sure ones a tenth at most has more than `weak` of the squared contrast.
    """
    own, surely, enough, strong = np.zeros((4, count), np.int64)
    chosen, found = np.zeros(count, np.uint8), np.zeros(sure.shape, np.uint8)
    for y in range(sure.shape[0]):
        for x in range(sure.shape[1]):
            if both[y, x]:
                at = labels[y, x]
                own[at] += 1
                surely[at] += sure[y, x]
                enough[at] += held[y, x]
                strong[at] += sure[y, x] & (squared[y, x] > weak)
    for k in range(count):
        chosen[k] = (own[k] > surely[k]) & (enough[k] >= least) & (10 * strong[k] < surely[k])
    if chosen.any():
        for y in range(sure.shape[0]):
            for x in range(sure.shape[1]):
                found[y, x] = chosen[labels[y, x]]
    return found
