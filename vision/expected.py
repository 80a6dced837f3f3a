"""What a unit should be: a plain polygon with named sides and seam lines, and what it may differ by."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a unit may be off and still fit: plus or minus, on widths and offsets, and on angles."""

    width_mm: float = 25.4 / 32
    angle_rad: float = math.radians(0.5)


@dataclass(frozen=True, eq=False, slots=True)
class ExpectedShape:
    """The raw outline that the plan expects, right side up, in a frame of its own.

    `corners_mm` is (N, 2), counter-clockwise; side i runs from corner i to corner i + 1. `seams_mm` is
    (S, 2, 2): the end points of each internal seam.
    """

    name: str
    corners_mm: Floats
    seams_mm: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))
    side_names: tuple[str, ...] = ()
    tolerance: Tolerance = Tolerance()


@dataclass(frozen=True, slots=True)
class ExpectedStrip:
    """A strip or strip set of which only the width, raw edge to raw edge, is known beforehand."""

    name: str
    width_mm: float
    tolerance: Tolerance = Tolerance()


@dataclass(frozen=True, slots=True)
class ExpectedStar:
    """A finished square block, `side_mm` from raw edge to raw edge, with a star of so many points in it."""

    points: int
    side_mm: float
    name: str = ""
