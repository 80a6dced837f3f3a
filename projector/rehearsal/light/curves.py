"""Tone curves of devices: what number stands for what light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TABLE = np.linspace(0.0, 1.0, 4097)  # over which an S-curve is turned round


def linear_from_srgb(encoded: Floats) -> Floats:
    """Linear light of sRGB values, both 0 to 1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: Floats) -> Floats:
    """sRGB values of linear light, both 0 to 1 (IEC 61966-2-1)."""
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, slots=True)
class Curve:
    """sRGB's curve, or a plain power of the encoded value, then bent into an S by `contrast` (0 to 0.6).

    The S adds contrast in the middle of the encoded scale and takes it from both ends: v - contrast sin(2 pi v) /
    (2 pi).
    """

    power: float | None = None  # None: sRGB's
    contrast: float = 0.0

    def encoded(self, light: Floats) -> Floats:
        """Values that stand for linear light, both 0 to 1."""
        plain = srgb_from_linear(light) if self.power is None else np.maximum(light, 0.0) ** (1 / self.power)
        return self._s(plain) if self.contrast else plain

    def light(self, encoded: Floats) -> Floats:
        """Linear light that values stand for, both 0 to 1."""
        plain = np.interp(encoded, self._s(TABLE), TABLE) if self.contrast else encoded
        return linear_from_srgb(plain) if self.power is None else np.asarray(plain**self.power)

    def _s(self, values: Floats) -> Floats:
        return np.asarray(values - self.contrast * np.sin(2 * np.pi * values) / (2 * np.pi))


SRGB = Curve()
