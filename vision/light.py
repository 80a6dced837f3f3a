"""Linear light: undo the camera's tone curve before anything is located or averaged.

A step that is encoded by a tone curve looks shifted towards its dark side, by up to half a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import SRGB, Tone

Floats32 = NDArray[np.float32]

# Rows: luminance (IEC 61966-2-1 weights, here for blue green red), and two colour differences. Cameras and
# JPEG blur the differences more than the luminance, so edges are fitted to the three of them one by one.
LUMA_CHROMA = np.array(
    [[0.0722, 0.7152, 0.2126], [-0.0722, -0.7152, 0.7874], [0.9278, -0.7152, -0.2126]], dtype=np.float32
)
BGR_OF_LEVELS = np.linalg.inv(LUMA_CHROMA.astype(np.float64))


def srgb_from_linear(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light 0..1 to encoded values 0..1 by IEC 61966-2-1."""
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055)


LINEAR_OF_BYTE: Floats32 = SRGB.table


def linear_image(pixels: NDArray[np.uint8], tone: Tone = SRGB) -> Floats32:
    """An 8-bit picture (H, W, 3) in linear light, 0..1, same channel order, by the camera's tone curve."""
    if pixels.ndim != 3 or pixels.size == 0:
        return tone.table[pixels]
    return np.asarray(cv2.LUT(pixels, tone.table), np.float32)


def mean_light(pictures: Sequence[NDArray[np.uint8]], tone: Tone = SRGB) -> Floats32:
    """The mean of 8-bit pictures (H, W, 3) of one size in linear light; at least one."""
    if not pictures:
        raise ValueError("at least one picture is needed")
    total = linear_image(pictures[0], tone)
    for picture in pictures[1:]:
        total = total + linear_image(picture, tone)
    return np.asarray(total / np.float32(len(pictures)), np.float32)


def luma_chroma(linear: Floats32, into: Floats32 | None = None) -> Floats32:
    """Linear blue green red (..., 3) to luminance and two colour differences (..., 3)."""
    if linear.ndim != 3:
        return linear @ LUMA_CHROMA.T
    return np.asarray(cv2.transform(linear, LUMA_CHROMA, into), np.float32)


def bgr_of(levels: Floats32) -> Floats32:
    """Linear blue green red (H, W, 3) of luminance and two colour differences."""
    return np.asarray(cv2.transform(levels, BGR_OF_LEVELS.astype(np.float32)), np.float32)


def byte_step(linear: float, tone: Tone = SRGB) -> float:
    """How much linear light one step of the 8-bit encoding is worth at a level of `linear`, 0..1."""
    return tone.step(linear)
