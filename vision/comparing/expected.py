"""What a unit should be: a plain polygon with named sides and seam lines, and what it may differ by."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LengthUnit = Literal["in", "mm"]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a unit may be off and still fit: plus or minus, on widths and offsets, and on angles."""

    width_mm: float = 25.4 / 32
    angle_rad: float = math.radians(0.5)


@dataclass(frozen=True, eq=False, slots=True)
class ExpectedShape:
    """The raw outline that the plan expects, right side up (the printed face of the cloth), in a frame of its own.

    `corners_mm` is (N, 2), counter-clockwise; side i runs from corner i to corner i + 1. `seams_mm` is
    (S, 2, 2): the end points of each internal seam. `side_tolerances_mm` may give each side its own tolerance, None
    being that of all. Words about it are in `said_in`.
    """

    name: str
    corners_mm: Floats
    seams_mm: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))
    side_names: tuple[str, ...] = ()
    tolerance: Tolerance = Tolerance()
    side_tolerances_mm: tuple[float | None, ...] = ()
    said_in: LengthUnit = "in"

    def __post_init__(self) -> None:
        if self.side_tolerances_mm and len(self.side_tolerances_mm) != len(self.corners_mm):
            raise ValueError("as many tolerances as sides, or none")

    def side_name(self, side: int) -> str:
        """What a person calls a side; without a name its number, as it is marked in the picture."""
        return self.side_names[side] if self.side_names else f"side {side}"

    def side_tolerance_mm(self, side: int) -> float:
        """Plus or minus, on the side's offset."""
        own = self.side_tolerances_mm[side] if self.side_tolerances_mm else None
        return self.tolerance.width_mm if own is None else own

    def mirrored(self) -> ExpectedShape:
        """The same seen from its other face; corner 0 stays the first, so side i becomes side N - 1 - i."""
        order = np.roll(np.arange(len(self.corners_mm))[::-1], 1)
        flip = np.array([-1.0, 1.0])
        return ExpectedShape(
            self.name,
            (self.corners_mm * flip)[order],
            self.seams_mm * flip,
            self.side_names[::-1],
            self.tolerance,
            self.side_tolerances_mm[::-1],
            self.said_in,
        )


@dataclass(frozen=True, slots=True)
class ExpectedStrip:
    """A strip or strip set of which only the width, raw edge to raw edge, is known beforehand."""

    name: str
    width_mm: float
    tolerance: Tolerance = Tolerance()
    said_in: LengthUnit = "in"


@dataclass(frozen=True, slots=True)
class ExpectedStar:
    """A finished square block, `side_mm` from raw edge to raw edge, with a star of so many points in it."""

    points: int
    side_mm: float
    name: str = ""
    said_in: LengthUnit = "in"
