"""From what a camera encodes to light that adds up: the tone curve undone."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import SRGB, Tone, linear_from_srgb

__all__ = ["grey", "linear_from_srgb", "linear_grey"]


def grey(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The encoded brightness (h, w) of a grey (h, w) or blue green red (h, w, 3) picture.

    Brightness alone keeps its full resolution in JPEG and in most webcams' streams; colour does not.
    """
    if picture.dtype != np.uint8 or picture.ndim not in (2, 3):
        raise ValueError(f"a picture is (h, w) or (h, w, 3) uint8, not {picture.shape} {picture.dtype}")
    if picture.ndim == 2:
        return picture
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)


def linear_grey(picture: NDArray[np.uint8], tone: Tone = SRGB) -> NDArray[np.float32]:
    """Brightness (h, w) of a picture in linear light, 0 to 1, by the camera's tone curve."""
    return tone.table[grey(picture)]
