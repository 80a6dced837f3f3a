"""Shapes that can lie in several ways: which dimension is which, when the same unit is laid down again.

A square laid down anew looks the same from four sides, and its sides get whatever numbers fit. Who measures one unit
several times lays it the same way round; the numbers then go by how it lay the first time. Nothing is chosen by what
was measured, which would make the gauge look better than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from projector.piles.dimensions import Dimension, Reading
from vision.comparing.symmetry import Symmetry, in_plane

Floats = NDArray[np.float64]


def laid_like(outline: Floats, first: Floats, ways: tuple[Symmetry, ...]) -> Symmetry:
    """By which of the shape's turns an outline's numbers go with those of the outline that was laid first."""

    def turned(one: Symmetry) -> float:
        now, then = (in_plane(points - points.mean(axis=0)) for points in (np.roll(outline, -one.roll, 0), first))
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
