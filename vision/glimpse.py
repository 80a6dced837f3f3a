"""A rough look at a frame while things move: where cloth lies, and whether a hand is in the picture.

Made for every frame, so it is cheap: a small picture beside one of the bare mat in the same light. An arm comes from
outside and so reaches the rim of what is seen; cloth on the mat does not, or is no unit to be measured there.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone
from vision.light import linear_image

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SMALL_PX = 480  # width of the small picture: 2 mm a pixel on a mat of 900 mm
SIGMAS = 6.0  # of 130,000 pixels of Gaussian noise none is beyond
LEAST = 0.004  # of the root of light: what differs less is not seen in a moving frame
DARKEST = 0.002  # added to the light, see `stillness`
SIGMA_PER_MAD = 1.4826


@dataclass(frozen=True, eq=False, slots=True)
class Bare:
    """The bare mat in the light that now lies on it, and how noisy its small picture is."""

    root: Singles  # (h, w, 3) of linear light
    sigma: Singles  # (3,)


@dataclass(frozen=True, eq=False, slots=True)
class Glimpse:
    """What a frame shows roughly: outlines (N, 2) in px of the frame, and whether something reaches in."""

    outlines_px: tuple[Floats, ...]
    reached: bool


def bare_of(frames: list[NDArray[np.uint8]], tone: Tone) -> Bare:
    """From two frames or more of the bare mat."""
    roots = [_root(frame, tone) for frame in frames]
    rest = np.stack([a - b for a, b in pairwise(roots)]) / np.sqrt(2.0)
    sigma = SIGMA_PER_MAD * np.median(np.abs(rest), axis=(0, 1, 2))
    return Bare(np.mean(roots, axis=0, dtype=np.float32), sigma.astype(np.float32))


def glimpse(pixels: NDArray[np.uint8], bare: Bare, tone: Tone, least_px: float) -> Glimpse:
    """Where a frame (H, W, 3) differs from the bare mat in patches of at least `least_px` of the frame.

    What is thinner than three pixels of the small picture, the strokes of words in the light, is passed over.
    """
    now = _root(pixels, tone)
    # What lies on less than half of the mat leaves the median as it was: the lamp's flicker is taken out.
    gain = np.median(now / bare.root, axis=(0, 1))
    off = np.abs(now - bare.root * gain) / np.maximum(SIGMAS * bare.sigma, LEAST)
    differs = np.asarray(off.max(axis=2) > 1.0, np.uint8)
    differs = np.asarray(cv2.morphologyEx(differs, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    scale = pixels.shape[1] / now.shape[1]
    contours, _ = cv2.findContours(differs, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    large = [c[:, 0].astype(np.float64) for c in contours if cv2.contourArea(c) * scale**2 >= least_px]
    height, width = differs.shape
    inner = [c for c in large if c.min() > 1 and c[:, 0].max() < width - 2 and c[:, 1].max() < height - 2]
    return Glimpse(tuple((c + 0.5) * scale - 0.5 for c in inner), len(inner) < len(large))


def _root(pixels: NDArray[np.uint8], tone: Tone) -> Singles:
    width = min(SMALL_PX, pixels.shape[1])
    height = max(1, round(pixels.shape[0] * width / pixels.shape[1]))
    # Averaged as it is encoded: rough is enough here, and a tenth of the work.
    small = linear_image(np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA), np.uint8), tone)
    return np.asarray(np.sqrt(small + np.float32(DARKEST)), np.float32)
