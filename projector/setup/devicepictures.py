"""Pictures that show what devices do by themselves: marks in changing surroundings, checkers, a rim."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]
Colour = tuple[int, int, int]

BLACK, WHITE, RED, BLUE = (0, 0, 0), (255, 255, 255), (0, 0, 255), (255, 0, 0)
GREY = 160
# Discs, the largest first: x and y in shares of the picture, radius in shares of its lesser side. Areas are as 3 to 1.
DISCS = ((0.30, 0.31, 0.078), (0.70, 0.28, 0.045), (0.29, 0.71, 0.026), (0.71, 0.70, 0.015))
AROUND = 2.2  # half a grey square's side over its disc's radius
COARSE_PX = 48
RIM_PX = 3


def discs_px(size_px: tuple[int, int], spread: float = 1.0) -> Floats:
    """Middles of the discs in projector pixels, (4, 2), the largest first; drawn together where `spread` is less."""
    shares = 0.5 + spread * (np.array([disc[:2] for disc in DISCS]) - 0.5)
    return np.asarray(shares * np.array(size_px))


def marks(size_px: tuple[int, int], around: Colour, spread: float = 1.0, discs: bool = True) -> Picture:
    """Grey squares with a black disc in each; all around them is of one colour (blue, green, red).

    With a `spread` of less than 1 they are nearer to the middle and smaller.
    """
    width, height = size_px
    picture = even(size_px, around)
    for (x, y), (_, _, share) in zip(discs_px(size_px, spread), DISCS, strict=True):
        radius = spread * share * min(size_px)
        half = AROUND * radius
        low = (max(round(x - half), 0), max(round(y - half), 0))
        high = (min(round(x + half), width), min(round(y + half), height))
        picture[low[1] : high[1], low[0] : high[0]] = GREY
        if discs:
            cv2.circle(picture, (round(x), round(y)), round(radius), BLACK, cv2.FILLED)
    return picture


def checker(size_px: tuple[int, int], cell_px: int, counterpart: bool) -> Picture:
    """Black and white squares; the counterpart is black where this is white."""
    x, y = np.arange(size_px[0])[None, :], np.arange(size_px[1])[:, None]
    level = ((x // cell_px + y // cell_px + counterpart) % 2 * 255).astype(np.uint8)
    return np.repeat(level[:, :, None], 3, axis=2)


def rim(size_px: tuple[int, int]) -> Picture:
    """The picture's outermost pixels white, all else black."""
    picture = even(size_px, WHITE)
    picture[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX] = 0
    return picture


def even(size_px: tuple[int, int], colour: Colour) -> Picture:
    """One colour everywhere."""
    picture = np.empty((size_px[1], size_px[0], 3), np.uint8)
    picture[:] = colour
    return picture
