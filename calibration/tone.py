"""The camera's tone curve: what light each of its byte values stands for. It belongs to the rig."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import linear_from_srgb

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Tone:
    """Linear light, 0 to 1, for each byte value: (256,), rising; and how it is known."""

    linear_of_byte: Floats
    how: str


SRGB = Tone(linear_from_srgb(np.arange(256) / 255.0), "assumed to be sRGB's (IEC 61966-2-1)")
