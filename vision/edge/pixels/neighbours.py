"""Which pixels belong to other cloth, or lie next to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.regions import Region

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
    reach, square = NEAR_PX // 2, np.ones((NEAR_PX, NEAR_PX), np.uint8)
    about = list[tuple[tuple[slice, slice], NDArray[np.bool_]]]()
    for region in regions:
        x, y, width, height = region.box_px
        left, top = min(reach, x), min(reach, y)
        right, bottom = min(reach, shape[1] - x - width), min(reach, shape[0] - y - height)
        own = cv2.copyMakeBorder(region.mask.view(np.uint8), top, bottom, left, right, cv2.BORDER_CONSTANT)
        box = slice(y - top, y + height + bottom), slice(x - left, x + width + right)
        about.append((box, cv2.dilate(own, square).view(np.bool_)))
    # The last to be written stays.
    for i, (box, near) in enumerate(about):
        np.copyto(highest[box], i + 1, where=near, casting="unsafe")
    for i, (box, near) in reversed(list(enumerate(about))):
        np.copyto(lowest[box], i + 1, where=near, casting="unsafe")
    return Neighbours(highest, lowest)
