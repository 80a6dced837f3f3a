"""A rough look at a frame while things move: where cloth lies, and whether a hand is in the picture.

Made for every frame, so it is cheap: a small picture beside one of the bare mat in the same light. An arm comes from
outside and so reaches the rim of what is seen; cloth on the mat does not, or is no unit to be measured there.
"""

from __future__ import annotations

import math
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
STEPS = 2.0  # of the bytes that a small picture is rounded to: two of them differ by one though the light does not
DARKEST = 0.002  # added to the light, see `stillness`
SIGMA_PER_MEAN = math.sqrt(math.pi / 2.0)  # of absolute Gaussian differences
WORDS_PX = 17  # of the small picture: two lines of words, one above the other
EVERY = 4  # of the small picture's pixels along both ways, for the lamp's gain alone


@dataclass(frozen=True, eq=False, slots=True)
class Bare:
    """The bare mat in the light that now lies on it, as a small picture, and by how much a frame of it may differ."""

    root: Singles  # (h, w, 3) of linear light
    least: Singles  # (h, w, 3)


@dataclass(frozen=True, eq=False, slots=True)
class Glimpse:
    """What a frame shows roughly: outlines (N, 2) in px of the frame, and whether something reaches in."""

    outlines_px: tuple[Floats, ...]
    reached: bool


def bare_of(frames: list[NDArray[np.uint8]], tone: Tone) -> Bare:
    """From two frames or more of the bare mat."""
    smalls = [_small(frame) for frame in frames]
    roots = [_root(small, tone) for small in smalls]
    rest = np.stack([a - b for a, b in pairwise(roots)]) / np.sqrt(2.0)
    # Most differences of so small pictures are a step of the bytes or none: their median says nothing.
    sigma = SIGMA_PER_MEAN * np.mean(np.abs(rest), axis=(0, 1, 2))
    step = np.diff(np.sqrt(tone.table + np.float32(DARKEST)), append=np.float32(1.0))
    steps = step[np.clip(np.rint(np.mean(smalls, axis=0)), 0, 254).astype(np.uint8)]
    least = np.maximum(SIGMAS * sigma, STEPS * steps).astype(np.float32)
    return Bare(np.mean(roots, axis=0, dtype=np.float32), least)


def glimpse(
    pixels: NDArray[np.uint8], bare: Bare, tone: Tone, least_px: float, written: NDArray[np.bool_] | None = None
) -> Glimpse:
    """Where a frame (H, W, 3) differs from the bare mat in patches of at least `least_px` of the frame.

    Where `written` of the small picture holds, words and signs lie in the light: there cloth is only where it lies on
    both sides. What is thinner than three pixels of the small picture is passed over.
    """
    now = _root(_small(pixels), tone)
    # What lies on less than half of the mat leaves the median as it was: the lamp's flicker is taken out.
    few = slice(None, None, EVERY)
    gain = np.median(now[few, few] / bare.root[few, few], axis=(0, 1))
    height, width = now.shape[:2]
    differs = np.zeros((height, width), np.uint8)
    for k in range(3):
        off = np.asarray(cv2.absdiff(now[..., k], bare.root[..., k] * np.float32(gain[k])))
        differs |= off > bare.least[..., k]
    if written is not None:
        differs[written] = 0
        closed = cv2.morphologyEx(differs, cv2.MORPH_CLOSE, np.ones((WORDS_PX, WORDS_PX), np.uint8))
        differs |= np.asarray(closed, np.uint8) * written
    differs = np.asarray(cv2.morphologyEx(differs, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    scale = pixels.shape[1] / now.shape[1]
    contours, _ = cv2.findContours(differs, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    large = [c[:, 0].astype(np.float64) for c in contours if cv2.contourArea(c) * scale**2 >= least_px]
    inner = [c for c in large if c.min() > 1 and c[:, 0].max() < width - 2 and c[:, 1].max() < height - 2]
    return Glimpse(tuple((c + 0.5) * scale - 0.5 for c in inner), len(inner) < len(large))


def small_size(size_px: tuple[int, int]) -> tuple[int, int]:
    """Width and height of the small picture of a frame of that width and height."""
    width = min(SMALL_PX, size_px[0])
    return width, max(1, round(size_px[1] * width / size_px[0]))


def _small(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Averaged as it is encoded: rough is enough here, and a tenth of the work."""
    size_px = small_size((pixels.shape[1], pixels.shape[0]))
    return np.asarray(cv2.resize(pixels, size_px, interpolation=cv2.INTER_AREA), np.uint8)


def _root(small: NDArray[np.uint8], tone: Tone) -> Singles:
    return np.asarray(np.sqrt(linear_image(small, tone) + np.float32(DARKEST)), np.float32)
