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
    labels = np.zeros(shape[:2], np.uint16)
    for i, region in enumerate(regions):
        x, y, width, height = region.box_px
        labels[y : y + height, x : x + width][region.mask] = i + 1
    return _near(labels)


def _near(labels: NDArray[np.uint16]) -> Neighbours:
    square = np.ones((NEAR_PX, NEAR_PX), np.uint8)
    least = np.where(labels > 0, labels, np.uint16(NOTHING)).astype(np.uint16)
    highest, lowest = cv2.dilate(labels, square), cv2.erode(least, square)
    return Neighbours(np.asarray(highest, np.uint16), np.asarray(lowest, np.uint16))
