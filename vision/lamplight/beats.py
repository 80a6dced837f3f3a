"""Does a projector show its picture pixel for pixel? Digital keystone, zoom and overscan resample it; light tells.

Two checkers of single pixels, one black where the other is white, add up to the same light everywhere if each pixel of
the picture is a pixel of the panel: light adds up, whatever the projector's curve is. A projector that resamples mixes
neighbours before its curve turns numbers into light. A mixture a : 1 - a and its counterpart give f(a) + f(1 - a),
f being the curve, which is less than f(1): with sRGB's down to 0.43 of it, at a = 1/2. Where the resampled grid drifts
against the panel's the loss comes and goes with a period of 1 / |1 - s| pixels, s being the scale (the beat of two
grids; sampling theory). Sums over blocks of camera pixels tell, so the camera need not resolve any of it, and beats
between its own pixels and the checkers cancel in the sum. A coarse pair of checkers says what the sum should be; it has
the same mean, so lamps and cameras that follow the mean do the same to both. A pair of two pixels to a square loses
much less by resampling, yet the same by a camera's tone curve that is not what it is taken for.

A scaler that mixes light itself instead of encoded numbers would not be seen; none is known to us.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Pair = tuple[Floats32, Floats32]

BLOCK_PX = 24
LEAST_LIGHT = 1e-4  # of full scale: the camera sees none
LEAST_LIT = 0.4  # of the median block's light, for a block to count
FEWEST_BLOCKS = 12
MOST_LOSS = 0.10  # a resampled picture makes 0.2 and more
MOST_MORE = 0.05  # than pairs of twice the size lose


@dataclass(frozen=True, slots=True)
class Resampling:
    """Share of light that fine checkers lose: 0 where the picture is shown pixel for pixel."""

    single: float  # of checkers of single pixels, median over the field
    double: float  # of checkers of two pixels

    @property
    def native(self) -> bool:
        return self.single < MOST_LOSS or self.single - self.double < MOST_MORE


def resampling(single: Pair, double: Pair, coarse: Pair) -> Resampling | None:
    """Compare the sums of three pairs of checkers: pictures (h, w) in linear light, of one camera size.

    Each pair is a checker and its counterpart. None where the camera sees too little of the projector's light.
    """
    losses = [block_losses(fine, coarse) for fine in (single, double)]
    if len(losses[0]) < FEWEST_BLOCKS:
        return None
    return Resampling(float(np.median(losses[0])), float(np.median(losses[1])))


def block_losses(fine: Pair, coarse: Pair) -> Floats:
    """The lost share of light in each block that is lit, (B,)."""
    lost = _blocks(coarse[0] + coarse[1] - fine[0] - fine[1])
    light = _blocks(np.abs(coarse[0] - coarse[1]))
    some = light[light > max(0.1 * float(light.max()), LEAST_LIGHT)]
    if not some.size:
        return np.empty(0)
    lit = light > LEAST_LIT * float(np.median(some))
    return np.asarray(lost[lit] / light[lit], np.float64)


def _blocks(plane: Floats32) -> Floats32:
    """Means over whole blocks."""
    h, w = (n // BLOCK_PX for n in plane.shape)
    whole = np.ascontiguousarray(plane[: h * BLOCK_PX, : w * BLOCK_PX])
    return np.asarray(cv2.resize(whole, (w, h), interpolation=cv2.INTER_AREA), np.float32)
