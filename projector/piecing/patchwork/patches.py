"""What a block is: finished patches, and the order in which they are sewn together.

All places are millimetres in the block's own frame: x right, y up, seen from the right side (the printed face).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Toward = Literal["first", "second", "open"]


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """One piece of cloth as it shows in the finished block: a simple polygon, counter-clockwise.

    `grain_rad` is the direction, in the block's frame, in which the cloth's lengthwise grain should run; None where it
    does not matter. A strip's length runs across the grain.
    """

    fabric: str
    corners_mm: Floats  # (N, 2)
    grain_rad: float | None = None

    @property
    def area_mm2(self) -> float:
        """Finished area (shoelace formula)."""
        return area_mm2(self.corners_mm)


@dataclass(frozen=True, eq=False, slots=True)
class Sewn:
    """Two pieces joined along all that they share; `press` says toward which of them the allowances go.

    `set_in` are the places (K, 2) where the seam turns a corner: there the needle stops down and the cloth is turned.
    """

    first: Piece
    second: Piece
    press: Toward = "first"
    set_in_mm: Floats = field(default_factory=lambda: np.empty((0, 2)))


Piece = Patch | Sewn


@dataclass(frozen=True, eq=False, slots=True)
class Disc:
    """A round patch laid over the finished patchwork, its edge turned under: a circle's centre."""

    fabric: str
    middle_mm: tuple[float, float]
    radius_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class Block:
    """A block: what is sewn, what is laid over it, and its finished outline, counter-clockwise (N, 2)."""

    name: str
    piece: Piece
    outline_mm: Floats
    discs: tuple[Disc, ...] = ()

    @property
    def patches(self) -> tuple[Patch, ...]:
        """All patches, in the order of sewing."""
        return tuple(patches_of(self.piece))


def patches_of(piece: Piece) -> Iterator[Patch]:
    """The patches of a piece, first before second. Depth does not matter: a log cabin is a long chain."""
    waiting = [piece]
    while waiting:
        top = waiting.pop()
        if isinstance(top, Patch):
            yield top
        else:
            waiting += [top.second, top.first]


def joins_of(piece: Piece) -> Iterator[Sewn]:
    """The joins of a piece in an order in which they can be sewn: parts before what is made of them."""
    waiting: list[tuple[Piece, bool]] = [(piece, False)]
    while waiting:
        top, done = waiting.pop()
        if isinstance(top, Patch):
            continue
        if done:
            yield top
        else:
            waiting += [(top, True), (top.second, False), (top.first, False)]


def area_mm2(corners_mm: Floats) -> float:
    """Signed area of a polygon (N, 2), positive where it runs counter-clockwise (shoelace formula)."""
    x, y = corners_mm.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2.0


def inner_angles_rad(corners_mm: Floats) -> Floats:
    """(N,) at the corners of a polygon (N, 2) that runs counter-clockwise, 0 to 2 pi."""
    before, after = np.roll(corners_mm, 1, axis=0) - corners_mm, np.roll(corners_mm, -1, axis=0) - corners_mm
    cross = after[:, 0] * before[:, 1] - after[:, 1] * before[:, 0]
    return np.asarray(np.arctan2(cross, np.sum(before * after, axis=1)) % (2.0 * np.pi))
