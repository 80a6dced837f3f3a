"""Turns that lay a shape on itself: its sides have no numbers of their own, but those that it is given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.comparing.expected import ExpectedShape

Floats = NDArray[np.float64]

SAME_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Symmetry:
    """A turn that lays a shape on itself: corner i comes to where corner i + `roll` was.

    `seams` says of each seam which one was there, and -1 where it ran the other way.
    """

    roll: int
    seams: tuple[tuple[int, int], ...]


def symmetries(shape: ExpectedShape) -> tuple[Symmetry, ...]:
    """Every turn that lays the shape on itself, the one that does nothing first.

    >>> square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    >>> [one.roll for one in symmetries(ExpectedShape("a", square))]
    [0, 1, 2, 3]
    """
    n = len(shape.corners_mm)
    found = (_symmetry(shape, roll) for roll in range(n))
    return tuple(one for one in found if one is not None)


def pair_alike(shape: ExpectedShape, sides: tuple[int, int]) -> tuple[int, int]:
    """The first of all pairs of sides that a turn lays `sides` on: a square has one width, told by either pair.

    >>> square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    >>> pair_alike(ExpectedShape("a", square), (1, 3))
    (0, 2)
    """
    n = len(shape.corners_mm)
    turned = (sorted((side + way.roll) % n for side in sides) for way in symmetries(shape))
    return min((low, high) for low, high in turned)


def _symmetry(shape: ExpectedShape, roll: int) -> Symmetry | None:
    corners = in_plane(shape.corners_mm)
    middle = corners.mean()
    away, rolled = corners - middle, np.roll(corners - middle, -roll)
    turn = np.vdot(away, rolled)
    if abs(turn) == 0.0 or np.max(np.abs(away * turn / abs(turn) - rolled)) > SAME_MM:
        return None
    seams = [in_plane(seam) - middle for seam in shape.seams_mm]
    matched = [_matched(seam * turn / abs(turn), seams) for seam in seams]
    return Symmetry(roll, tuple(one for one in matched if one is not None)) if None not in matched else None


def _matched(seam: NDArray[np.complex128], seams: list[NDArray[np.complex128]]) -> tuple[int, int] | None:
    for i, other in enumerate(seams):
        for sign, ends in ((1, other), (-1, other[::-1])):
            if np.max(np.abs(seam - ends)) <= SAME_MM:
                return i, sign
    return None


def in_plane(points: Floats) -> NDArray[np.complex128]:
    """Points (N, 2) as complex numbers (N,): a turn is then a product."""
    return np.asarray(points[:, 0] + 1j * points[:, 1])
