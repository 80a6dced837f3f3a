"""Patches that no straight cuts across a strip give: laid along it, one after the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Nest:
    """A row of one patch along a strip `strip_mm` wide: the first `cycle` patches, and how far the next ones follow."""

    strip_mm: float
    cycle_mm: tuple[Floats, ...]  # (N, 2) each, as they lie on the strip
    pitch_mm: float  # from one cycle to the next

    def per_strip(self, length_mm: float) -> int:
        """How many whole patches lie on a strip of that length."""
        count, ends = 0, [float(patch[:, 0].max()) for patch in self.cycle_mm]
        for end in ends:
            if end <= length_mm + 1e-9:
                count += 1 + math.floor((length_mm - end) / self.pitch_mm + 1e-9)
        return count


def nested(raw_mm: Floats) -> Nest:
    """Lay a raw patch (N, 2) along a strip, each in its least rectangle."""
    box = Polygon(raw_mm).minimum_rotated_rectangle
    corners = np.array(box.exterior.coords)[:4]  # type: ignore[attr-defined]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    long = int(sides[1] < sides[0]) ^ 1
    along = corners[(long + 1) % 4] - corners[long]
    along = along / math.hypot(*along)
    turn = np.array([[along[0], along[1]], [-along[1], along[0]]])
    lying = raw_mm @ turn.T
    lying = lying - lying.min(axis=0)
    size = lying.max(axis=0)
    return Nest(float(size[1]), (lying,), float(size[0]))
