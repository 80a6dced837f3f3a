"""The camera's tone curve: what light each of its byte values stands for. It belongs to the rig."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def linear_from_srgb(encoded: Floats) -> Floats:
    """Undo the sRGB curve: encoded values 0 to 1 to linear light 0 to 1 (IEC 61966-2-1:1999).

    >>> np.round(linear_from_srgb(np.array([0.0, 0.5, 1.0])), 4).tolist()
    [0.0, 0.214, 1.0]
    """
    e = np.asarray(encoded, float)
    return np.where(e <= 0.04045, e / 12.92, ((e + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True, eq=False, slots=True)
class Tone:
    """Linear light, 0 to 1, for each byte value: (256,), rising; and how it is known."""

    linear_of_byte: Floats
    how: str

    @property
    def table(self) -> NDArray[np.float32]:
        """The curve as a table to look pictures up in, (256,) float32."""
        return self.linear_of_byte.astype(np.float32)

    def step(self, linear: float) -> float:
        """How much light one step of the encoding is worth at a level of `linear`, 0 to 1."""
        bytes_ = np.arange(256.0)
        at = float(np.interp(linear, self.linear_of_byte, bytes_))
        below, above = np.interp([at - 0.5, at + 0.5], bytes_, self.linear_of_byte)
        return float(above - below)


SRGB = Tone(linear_from_srgb(np.arange(256) / 255.0), "assumed to be sRGB's (IEC 61966-2-1)")
