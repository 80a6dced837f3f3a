"""How well the virtual person cuts: tremor, slips, a blade beside the ruler, and clumsiness beside the cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Skill:
    """How well the person cuts. Figures are common practice, no source."""

    offset_sd_mm: float = 0.3
    angle_sd_rad: float = float(np.radians(0.15))
    slip_probability: float = 0.02  # of the ruler, under the hand
    slip_mm: tuple[float, float] = (1.0, 3.0)
    blade_mm: float = 0.2  # beside the ruler: half of a blade of 0.3 mm, held not quite upright
    clumsy: float = 0.0  # share of units with which something goes wrong beside the cut

    def off(self, rng: np.random.Generator, length_mm: float) -> tuple[float, float, bool]:
        """How far off a cut is, how far it is turned, and whether the ruler slipped.

        A long ruler is set by both ends of the light, so that it turns less than a short one.
        """
        off = rng.normal(0.0, self.offset_sd_mm)
        turn = rng.normal(0.0, min(self.angle_sd_rad, 2.0 * self.offset_sd_mm / length_mm))
        slipped = bool(rng.random() < self.slip_probability)
        if slipped:
            off += rng.choice((-1.0, 1.0)) * rng.uniform(*self.slip_mm)
        return float(off), float(turn), slipped


def beside(line_mat_mm: Floats, off_mm: float, turn_rad: float) -> Floats:
    """A line (2, 2) moved to its left, and turned about its middle, counter-clockwise."""
    middle, half = line_mat_mm.mean(axis=0), (line_mat_mm[1] - line_mat_mm[0]) / 2
    left = np.array([-half[1], half[0]]) / np.hypot(*half)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    half = np.array([c * half[0] - s * half[1], s * half[0] + c * half[1]])
    middle = middle + off_mm * left
    return np.array([middle - half, middle + half])
