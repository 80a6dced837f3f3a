"""Shapes that can lie in several ways: which dimension is which, when the same unit is laid down again.

A square laid down anew looks the same from four sides, and its sides get whatever numbers fit. Who measures one unit
several times lays it the same way round; the numbers then go by how it lay the first time. Nothing is chosen by what
was measured, which would make the gauge look better than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.dimensions import Dimension, Reading
from vision.expected import ExpectedShape

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


def _symmetry(shape: ExpectedShape, roll: int) -> Symmetry | None:
    corners = _complex(shape.corners_mm)
    middle = corners.mean()
    away, rolled = corners - middle, np.roll(corners - middle, -roll)
    turn = np.vdot(away, rolled)
    if abs(turn) == 0.0 or np.max(np.abs(away * turn / abs(turn) - rolled)) > SAME_MM:
        return None
    seams = [_complex(seam) - middle for seam in shape.seams_mm]
    matched = [_matched(seam * turn / abs(turn), seams) for seam in seams]
    return Symmetry(roll, tuple(one for one in matched if one is not None)) if None not in matched else None


def _matched(seam: NDArray[np.complex128], seams: list[NDArray[np.complex128]]) -> tuple[int, int] | None:
    for i, other in enumerate(seams):
        for sign, ends in ((1, other), (-1, other[::-1])):
            if np.max(np.abs(seam - ends)) <= SAME_MM:
                return i, sign
    return None


def _complex(points: Floats) -> NDArray[np.complex128]:
    return np.asarray(points[:, 0] + 1j * points[:, 1])


def laid_like(outline: Floats, first: Floats, ways: tuple[Symmetry, ...]) -> Symmetry:
    """By which of the shape's turns an outline's numbers go with those of the outline that was laid first."""

    def turned(one: Symmetry) -> float:
        now, then = (_complex(points - points.mean(axis=0)) for points in (np.roll(outline, -one.roll, 0), first))
        return abs(math.atan2((turn := np.vdot(then, now)).imag, turn.real))

    return min(ways, key=turned)


def renumbered(readings: Mapping[Dimension, Reading], by: Symmetry, corners: int) -> dict[Dimension, Reading]:
    """The same readings under the numbers that they have after the turn."""
    there = {(one.kind, one.places): reading for one, reading in readings.items()}
    found = {}
    for one in readings:
        sign = 1
        if one.kind == "seam":
            place, sign = by.seams[one.places[0]]
            places: tuple[int, ...] = (place,)
        else:
            places = tuple(sorted((place + by.roll) % corners for place in one.places))
        reading = there.get((one.kind, places))
        if reading is not None:
            found[one] = Reading(sign * reading.value, reading.u)
    return found
