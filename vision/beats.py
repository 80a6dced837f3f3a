"""Does a projector show its picture pixel for pixel? Digital keystone, zoom and overscan resample it; light tells.

Two checkers of single pixels, one black where the other is white, add up to the same light everywhere if each pixel of
the picture is a pixel of the panel: light adds up, whatever the projector's curve is. A projector that resamples mixes
neighbours before its curve turns numbers into light. A mixture a : 1 - a and its counterpart give f(a) + f(1 - a),
f being the curve, which is less than f(1): with sRGB's down to 0.43 of it, at a = 1/2. Where the resampled grid drifts
against the panel's the loss comes and goes with a period of 1 / |1 - s| pixels, s being the scale (the beat of two
grids; sampling theory). Sums over blocks of camera pixels tell, so the camera need not resolve any of it, and beats
between its own pixels and the checkers cancel in the sum. A coarse pair of checkers says what the sum should be; it has
the same mean, so lamps and cameras that follow the mean do the same to both.

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
LEAST_LIT = 0.4  # of the median block's light, for a block to count
FEWEST_BLOCKS = 12
MOST_LOSS = 0.12  # a camera's tone curve that is not sRGB's makes up to 0.1 of it, a resampled picture 0.3


@dataclass(frozen=True, slots=True)
class Resampling:
    """Share of light that fine checkers lose: 0 where the picture is shown pixel for pixel."""

    typical: float  # median over the field
    greatest: float  # in the worst tenth of it

    @property
    def native(self) -> bool:
        return self.typical < MOST_LOSS


def resampling(fine: Pair, coarse: Pair) -> Resampling | None:
    """Compare the sums of two pairs of checkers: pictures (h, w) in linear light, of one camera size.

    Each pair is a checker and its counterpart. None where the camera sees too little of the projector's light.
    """
    loss = block_losses(fine, coarse)
    if len(loss) < FEWEST_BLOCKS:
        return None
    typical, greatest = np.quantile(loss, [0.5, 0.9])
    return Resampling(float(typical), float(greatest))


def block_losses(fine: Pair, coarse: Pair) -> Floats:
    """The lost share of light in each block that is lit, (B,)."""
    lost = _blocks(coarse[0] + coarse[1] - fine[0] - fine[1])
    light = _blocks(np.abs(coarse[0] - coarse[1]))
    lit = light > max(LEAST_LIT * float(np.median(light[light > 0.1 * light.max()], axis=None)), 1e-4)
    return np.asarray(lost[lit] / light[lit], np.float64)


def _blocks(plane: Floats32) -> Floats32:
    """Means over whole blocks."""
    h, w = (n // BLOCK_PX for n in plane.shape)
    whole = np.ascontiguousarray(plane[: h * BLOCK_PX, : w * BLOCK_PX])
    return np.asarray(cv2.resize(whole, (w, h), interpolation=cv2.INTER_AREA), np.float32)
