"""What the rim of a piece of cloth does to light: its side wall, and the shadow at its foot.

Cloth is a few tenths of a millimetre thick, about a pixel. Where its side wall faces the lens the wall is seen
beyond the top's edge; where it faces away the top hides a little of the mat. And the mat close to a wall of height
h sees less of a wide lamp: under an even sky the wall takes (1 - x / sqrt(x^2 + h^2)) / 2 of the light at distance x
(form factor of a long strip: Siegel and Howell, Thermal Radiation Heat Transfer, from memory). A lamp straight
above casts no such shadow, so the truth lies between none and all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_PX = 0.04
REACH_PX = 14.0


@dataclass(frozen=True, slots=True)
class Rim:
    """One side's wall in px across the side: `wall_px` > 0 is seen beyond the top's edge, < 0 is mat hidden by it.

    `wall_light` is the wall's brightness over the top's, `sky` the share of the light that comes from a wide sky.
    """

    height_px: float
    wall_px: float
    wall_light: float
    sky: float


@dataclass(frozen=True, eq=False, slots=True)
class Profile:
    """Tables over the distance outward from the top's edge, in px: cloth's and mat's share of the light, blurred."""

    cloth: Floats
    mat: Floats
    cloth_slope: Floats  # d/d distance
    mat_slope: Floats

    def at_all(self, distance_px: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """All four tables at distances (N,); constant beyond their ends."""
        place = np.clip((distance_px + REACH_PX) / STEP_PX, 0.0, len(self.cloth) - 1.001)
        low = place.astype(np.int64)
        share = place - low
        cloth, mat, cloth_slope, mat_slope = (
            table[low] + share * (table[low + 1] - table[low])
            for table in (self.cloth, self.mat, self.cloth_slope, self.mat_slope)
        )
        return cloth, mat, cloth_slope, mat_slope


def profile(rim: Rim, blur_px: float) -> Profile:
    """The rim's profile behind a Gaussian blur of standard deviation `blur_px`, pixel included."""
    half = int(np.ceil(6.0 * blur_px / STEP_PX))
    reach = round(REACH_PX / STEP_PX)
    fine = np.asarray(np.arange(-reach - half, reach + half + 1) * STEP_PX, np.float64)
    wall = max(rim.wall_px, 0.0)
    cloth = _step(-fine) + rim.wall_light * (_step(wall - fine) - _step(-fine))
    x = np.maximum(fine - min(rim.wall_px, wall) if rim.wall_px < 0 else fine - wall, 0.0)
    blocked = 0.5 * (1.0 - x / np.hypot(x, max(rim.height_px, 1e-6)))
    mat = _step(fine - wall) * (1.0 - rim.sky * blocked)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * STEP_PX / blur_px) ** 2)
    kernel /= kernel.sum()
    tables = [np.convolve(sharp, kernel, "valid") for sharp in (cloth, mat)]
    return Profile(tables[0], tables[1], np.gradient(tables[0], STEP_PX), np.gradient(tables[1], STEP_PX))


def _step(x: Floats) -> Floats:
    """1 where x > 0, anti-aliased over one step of the table so that places between its points count."""
    return np.clip(x / STEP_PX + 0.5, 0.0, 1.0)
