"""How the camera writes light down: its tone curve, then luma and two colour differences, as its compression does.

Compression keeps the luma of encoded values in full and blurs the colour differences (ITU-T T.871, JFIF; weights of
ITU-R BT.601). An edge is therefore predicted in that form: light is blended, then encoded, then compared. Blending
encoded values instead, or making a picture with blurred colours linear, moves an edge by up to half a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone
from vision.compiled import compiled
from vision.light import BGR_OF_LEVELS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Singles = NDArray[np.float32]
Real = float | np.floating[Any]

# Rows: luma, and the colour differences blue and red, of blue green red (BT.601, full range).
YCC_OF_BGR = np.array(
    [[0.114, 0.587, 0.299], [0.5, -0.331264, -0.168736], [-0.081312, -0.418688, 0.5]], dtype=np.float64
)
BGR_OF_YCC = np.linalg.inv(YCC_OF_BGR)
FINE = 4096
STEPS = 65536  # over the root of light: the nearest is 0.00001 of the range off at most


@dataclass(frozen=True, eq=False, slots=True)
class Encoder:
    """The tone curve as tables: encoded value of linear light and its slope, and back."""

    encoded: Floats  # over the root of linear light, where the curve is nearly straight
    slope: Floats  # d encoded / d linear
    linear: Floats  # (256,)
    steps: Singles  # (2, STEPS) encoded value and slope, for the nearest

    @staticmethod
    @lru_cache(maxsize=4)
    def of(tone: Tone) -> Encoder:
        root = np.linspace(0.0, 1.0, FINE)
        light = root * root
        linear = np.maximum.accumulate(np.asarray(tone.linear_of_byte, float))
        rising = np.concatenate([[True], np.diff(linear) > 0])
        encoded = np.interp(light, linear[rising], np.flatnonzero(rising) / 255.0)
        slope = np.gradient(encoded, light)
        there = np.linspace(0.0, 1.0, STEPS)
        steps = np.stack([np.interp(there, root, one) for one in (encoded, slope)])
        return Encoder(encoded, slope, linear, steps.astype(np.float32))

    def encode(self, linear: Floats | Singles) -> tuple[Floats, Floats]:
        """Encoded values, 0 to 1, and their slopes by linear light; clipped at both ends."""
        place = np.sqrt(np.clip(linear, 0.0, 1.0), dtype=np.float64) * (FINE - 1.001)
        low = place.astype(np.int64)
        share = place - low
        value = self.encoded[low] + share * (self.encoded[low + 1] - self.encoded[low])
        return value, self.slope[low] + share * (self.slope[low + 1] - self.slope[low])

    def nearest(self, linear: Singles) -> tuple[Singles, Singles]:
        """As `encode`, of many pixels at once: to the nearest of fine steps, in single precision."""
        root = np.sqrt(np.clip(linear, np.float32(0.0), np.float32(1.0)))
        place = (root * np.float32(STEPS - 1) + np.float32(0.5)).astype(np.int64)
        return self.steps[0].take(place), self.steps[1].take(place)

    def luma_chroma_at(self, levels: Singles, x: Ints, y: Ints) -> Floats:
        """(N, 3): luma and colour differences as written down, of pixels of a picture of levels (H, W, 3)."""
        return written(levels, x, y, BGR_OF_LEVELS, YCC_OF_BGR, self.steps[0])

    def decode(self, encoded: Floats) -> Floats:
        """Linear light of encoded values, 0 to 1."""
        place = np.clip(encoded, 0.0, 1.0) * 254.999
        low = place.astype(np.int64)
        return np.asarray(self.linear[low] + (place - low) * (self.linear[low + 1] - self.linear[low]))


@compiled
def written(levels: Singles, x: Ints, y: Ints, bgr_of: Floats, ycc_of: Floats, steps: Singles) -> Floats:
    """(N, 3): pixels of a picture (H, W, 3) mapped by `bgr_of` to light, looked up in `steps`, and mapped by `ycc_of`.

    `steps` are encoded values over the root of light.
    """
    found = np.empty((len(x), 3))
    for i in range(len(x)):
        seen = levels[y[i], x[i]]
        b, g, r = (
            encoded_at(seen, bgr_of[0], steps),
            encoded_at(seen, bgr_of[1], steps),
            encoded_at(seen, bgr_of[2], steps),
        )
        for c in range(3):
            found[i, c] = ycc_of[c, 0] * b + ycc_of[c, 1] * g + ycc_of[c, 2] * r
    return found


@compiled
def decoded(luma: Real, blue: Real, red: Real, c: int, linear: Floats) -> Any:
    """Linear light of channel `c` of an encoded colour, as `Encoder.decode` has it."""
    return light_of(encoded_bgr(luma, blue, red, c), linear)


@compiled
def encoded_bgr(luma: Real, blue: Real, red: Real, c: int) -> Any:
    """The encoded value of channel `c` of an encoded colour."""
    return BGR_OF_YCC[c, 0] * luma + BGR_OF_YCC[c, 1] * blue + BGR_OF_YCC[c, 2] * red


@compiled
def light_of(encoded: Real, linear: Floats) -> Any:
    """Linear light of one encoded value, as `Encoder.decode` has it."""
    place = max(0.0, min(encoded, 1.0)) * 254.999
    low = int(place)
    return linear[low] + (place - low) * (linear[low + 1] - linear[low])


@compiled
def encoded_at(levels: NDArray[np.floating[Any]], to_light: Floats, steps: Singles) -> float:
    """The encoded value of the light that `to_light` (3,) makes of a pixel's levels (3,)."""
    light = to_light[0] * levels[0] + to_light[1] * levels[1] + to_light[2] * levels[2]
    return float(steps[int(np.sqrt(min(max(light, 0.0), 1.0)) * (len(steps) - 1) + 0.5)])
