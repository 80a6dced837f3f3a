"""Is the scene still? A fold over frames: pure, and sure of itself only after some time without change.

Frames are compared as small pictures of the square root of linear light, because there the noise of counted
photons is even (variance of the root of a Poisson count is 1/4: M. S. Bartlett, "The square root transformation
in analysis of variance", 1936). A lamp that flickers multiplies all of it by one number, which is taken out.

A compressed picture has another noise: most of its blocks stay as they are for many frames, and here and there one
jumps by a step of its coefficients. A median of differences is then 0, so noise is told by the greatest difference in
each tile of the picture. A frame that is the same as the one before, byte by byte, was not taken anew: it says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import LINEAR_OF_BYTE

Floats = NDArray[np.float64]

SMALL_PX = 160  # width of the small picture: blocks of about 5 mm on a mat of 900 mm
STILL_S = 0.4
STILL_FRAMES = 3
SIGMAS = 8.0  # of 14 400 blocks of Gaussian noise the worst is beyond 4
TILE_BLOCKS = 10  # side of a tile: what moves on the mat is in few of them, a codec's steps are in all
# Of full scale. In JPEG of quality 75 a step of a block's mean, or of its slope either way, is a byte each (ITU-T T.81,
# table K.1, halved), and a byte is 0.0044 of the root: 8 sigmas are all three. Beyond the greatest it is no noise.
LEAST_SIGMA, GREATEST_SIGMA = 0.00165, 0.01
DARKEST = 0.002  # added to the light: near black the root would make much of one step of 8 bits
GROWTH = 1.1  # how fast the noise may be believed to grow from frame to frame


@dataclass(frozen=True, eq=False, slots=True)
class Stillness:
    """What is known of a scene that may be still. Begin with `Stillness()`."""

    anchor: Floats | None = None  # the small picture since which nothing has changed
    since_s: float = 0.0
    latest_s: float = 0.0
    frames: int = 0  # that agree with the anchor, itself included
    sigma: float | None = None  # noise of a difference of two frames; None before two different ones were seen

    @property
    def still(self) -> bool:
        """Whether nothing has changed for long enough, and in enough frames."""
        return self.frames >= STILL_FRAMES and self.latest_s - self.since_s >= STILL_S

    def changed_from(self, reference: Floats) -> bool:
        """Whether the scene now differs from a small picture of before (`small_picture` of a frame)."""
        return self.anchor is not None and differs(self.anchor, reference, self.sigma)


def small_picture(pixels: NDArray[np.uint8]) -> Floats:
    """A frame (H, W, 3) as a small picture, (h, w) float64: the root of its linear green light, about 0 to 1."""
    green = cv2.LUT(cv2.extractChannel(pixels, 1), LINEAR_OF_BYTE)
    width = min(SMALL_PX, pixels.shape[1])
    height = max(1, round(pixels.shape[0] * width / pixels.shape[1]))
    small = cv2.resize(green, (width, height), interpolation=cv2.INTER_AREA)
    return np.sqrt(np.asarray(small, np.float64) + DARKEST)


def observe(state: Stillness, small: Floats, t_s: float) -> Stillness:
    """The state after one more frame, taken at `t_s`."""
    if state.anchor is None or state.anchor.shape != small.shape:
        return Stillness(small, t_s, t_s, 1)
    difference = _difference(small, state.anchor)
    sigma = state.sigma
    if difference.any():
        most = GREATEST_SIGMA if sigma is None else min(sigma * GROWTH, GREATEST_SIGMA)
        sigma = min(max(_sigma(difference), LEAST_SIGMA), most)
    if differs(small, state.anchor, sigma):
        return Stillness(small, t_s, t_s, 1, sigma)
    return replace(state, latest_s=t_s, frames=state.frames + 1, sigma=sigma)


def differs(small: Floats, other: Floats, sigma: float | None) -> bool:
    """Whether two small pictures differ anywhere by more than noise of `sigma`, the lamp's flicker aside."""
    return bool(np.abs(_difference(small, other)).max() > SIGMAS * (sigma or LEAST_SIGMA))


def _difference(small: Floats, other: Floats) -> Floats:
    """The difference, after the ratio of their lights (the median over all but the darkest blocks) is taken out."""
    bright = other > 0.5 * np.median(other)
    gain = np.median(small[bright] / other[bright]) if bright.any() else 1.0
    return small - gain * other


def _sigma(difference: Floats) -> float:
    """The standard deviation of Gaussian noise whose greatest difference in a tile is as large, in the median tile."""
    side = min(TILE_BLOCKS, *difference.shape)
    high, wide = (size // side for size in difference.shape)
    tiles = np.abs(difference[: high * side, : wide * side]).reshape(high, side, wide, side)
    greatest = float(np.median(tiles.max(axis=(1, 3))))
    return greatest / NormalDist().inv_cdf(0.5 + 0.5 * 0.5 ** (1.0 / side**2))
