"""What a projector's electronics do to a picture before it is light: digital keystone, and overscan."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]


def panel_from_picture(size_px: tuple[int, int], trapezoid: float, overscan: float) -> Floats:
    """(3, 3): where the panel shows a pixel of the picture, both in pixels, pixel middles on whole numbers.

    Overscan cuts the picture's rim and blows the rest up about the middle; the keystone then narrows the upper edge
    by `trapezoid` of the width and leaves the lower corners where they are.
    """
    w, h = size_px
    zoom, middle = 1.0 / (1.0 - overscan), np.array([(w - 1) / 2, (h - 1) / 2])
    blown = np.array([[zoom, 0.0, middle[0] * (1 - zoom)], [0.0, zoom, middle[1] * (1 - zoom)], [0.0, 0.0, 1.0]])
    # In v up from the lower edge, x' - mx = (x - mx) / (1 + a v / h) with 1 / (1 + a) = 1 - trapezoid; v' likewise
    # stretched so that the upper edge stays the upper edge.
    a = 1.0 / (1.0 - trapezoid) - 1.0
    low = h - 0.5
    # rows act on (x, y, 1) with v = low - y
    depth = np.array([0.0, -a / h, 1.0 + a * low / h])
    stretched_v = np.array([0.0, -(1.0 + a), (1.0 + a) * low])
    keystone = np.array([np.array([1.0, 0.0, -middle[0]]) + middle[0] * depth, low * depth - stretched_v, depth])
    return np.asarray(keystone @ blown)


def scaled(picture: Picture, trapezoid: float, overscan: float) -> Picture:
    """The picture as the panel shows it: resampled bilinearly in encoded values, black around it."""
    if trapezoid == 0.0 and overscan == 0.0:
        return picture
    h, w = picture.shape[:2]
    back = np.linalg.inv(panel_from_picture((w, h), trapezoid, overscan))
    x, y = np.meshgrid(np.arange(w, dtype=np.float64), np.arange(h, dtype=np.float64))
    below = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    from_x = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / below
    from_y = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / below
    taken = cv2.remap(
        picture, from_x.astype(np.float32), from_y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    return np.asarray(taken, dtype=np.uint8)
