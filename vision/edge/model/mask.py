"""An unsharp mask, as cameras sharpen with, and how to undo it.

To the encoded luma E a camera adds what a blur of radius r takes from it, a (E - B_r E) (Gonzalez and Woods, Digital
Image Processing, 3.6, from memory). What was done is undone by the same mask: E = (seen + a B_r E) / (1 + a), a
low-pass, which amplifies no noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats32 = NDArray[np.float32]

RADIUS_PX, RADIUS_LOG_U = 1.1, 0.3  # cameras' own: 0.6 to 2 px
LEFT = 1e-3  # of what was added, when undoing ends


@dataclass(frozen=True, slots=True)
class Sharpening:
    """An unsharp mask: `amount` of what a Gaussian blur of `radius_px` (standard deviation) takes away was added."""

    amount: float
    radius_px: float
    amount_u: float = 0.0  # were the radius exact

    @property
    def strength(self) -> float:
        """Amount times radius squared: what edges tell best, and what moves them."""
        return self.amount * self.radius_px**2

    @property
    def strength_u(self) -> float:
        """Its standard uncertainty."""
        return self.amount_u * self.radius_px**2

    def undone(self, luma: Floats32) -> Floats32:
        """Encoded luma (H, W) before the mask, by a fixed-point iteration that shrinks errors by a / (1 + a) a step."""
        share = self.amount / (1.0 + self.amount)
        before: Floats32 = luma
        for _ in range(math.ceil(math.log(LEFT) / math.log(share))):
            blurred = cv2.GaussianBlur(before, (0, 0), self.radius_px)
            before = np.asarray(cv2.addWeighted(luma, 1.0 - share, blurred, share, 0.0), np.float32)
        return before
