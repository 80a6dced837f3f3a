"""From what a camera encodes to light that adds up: the tone curve undone."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def linear_from_srgb(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo the sRGB curve: encoded values 0 to 1 to linear light 0 to 1 (IEC 61966-2-1:1999).

    >>> np.round(linear_from_srgb(np.array([0.0, 0.5, 1.0])), 4).tolist()
    [0.0, 0.214, 1.0]
    """
    e = np.asarray(encoded, float)
    return np.where(e <= 0.04045, e / 12.92, ((e + 0.055) / 1.055) ** 2.4)


_LINEAR = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)


def grey(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The encoded brightness (h, w) of a grey (h, w) or blue green red (h, w, 3) picture.

    Brightness alone keeps its full resolution in JPEG and in most webcams' streams; colour does not.
    """
    if picture.dtype != np.uint8 or picture.ndim not in (2, 3):
        raise ValueError(f"a picture is (h, w) or (h, w, 3) uint8, not {picture.shape} {picture.dtype}")
    if picture.ndim == 2:
        return picture
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)


def linear_grey(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Brightness (h, w) of a picture in linear light, 0 to 1."""
    return _LINEAR[grey(picture)]
