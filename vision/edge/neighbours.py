"""Which pixels belong to other cloth, or lie next to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.regions import Region

NEAR_PX = 5  # a square of this size about a pixel must be free of other cloth
NOTHING = 65535


@dataclass(frozen=True, eq=False, slots=True)
class Neighbours:
    """For each pixel (H, W) the highest and the lowest number of the cloths near it; cloths count from 1."""

    highest: NDArray[np.uint16]  # 0 where there is none
    lowest: NDArray[np.uint16]  # NOTHING where there is none

    def taken(self, x: NDArray[np.int64], y: NDArray[np.int64], own: NDArray[np.int64]) -> NDArray[np.bool_]:
        """(N,): whether cloth other than `own` (N,) lies near pixels."""
        highest, lowest = self.highest[y, x], self.lowest[y, x]
        others = ((highest != 0) & (highest != own)) | ((lowest != NOTHING) & (lowest != own))
        return np.asarray(others, np.bool_)


def neighbours_of(regions: Sequence[Region], shape: tuple[int, ...]) -> Neighbours:
    """Of all regions of a picture of the given (H, W); region i is cloth i + 1."""
    highest, lowest = np.zeros(shape[:2], np.uint16), np.full(shape[:2], NOTHING, np.uint16)
    if not regions:
        return Neighbours(highest, lowest)
    boxes = np.array([region.box_px for region in regions])
    for i, (region, (x, y, width, height)) in enumerate(zip(regions, boxes, strict=True)):
        box = slice(y, y + height), slice(x, x + width)
        highest[box][region.mask], lowest[box][region.mask] = i + 1, i + 1
    # Nothing is near to what lies beyond all of them.
    left, top = np.maximum(boxes[:, :2].min(axis=0) - NEAR_PX, 0)
    right, bottom = (boxes[:, :2] + boxes[:, 2:]).max(axis=0) + NEAR_PX
    all_of_them, square = (slice(top, bottom), slice(left, right)), np.ones((NEAR_PX, NEAR_PX), np.uint8)
    highest[all_of_them] = cv2.dilate(highest[all_of_them], square)
    lowest[all_of_them] = cv2.erode(lowest[all_of_them], square)
    return Neighbours(highest, lowest)
