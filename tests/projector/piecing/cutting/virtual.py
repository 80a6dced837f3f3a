"""Cloth cut up by shapely, and pieces told from their mirror images."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.ops import split

from projector.piecing.cutting.lines import CutLine

Floats = NDArray[np.float64]


def cut_up(cloth: Polygon, lines: list[CutLine]) -> list[Polygon]:
    """What lies between neighbouring cuts, from the left: the strip is split along each line in turn."""
    units, rest = [], cloth
    for line in lines:
        (low, high) = line.ends_mm
        along = (high - low) / np.hypot(*(high - low)) * 10.0
        parts = sorted(split(rest, LineString([low - along, high + along])).geoms, key=lambda part: part.centroid.x)
        assert len(parts) == 2, "a cut misses the cloth"
        if line.frees:
            units.append(parts[0])
        rest = parts[1]
    return units


def apart(shapes: list[Polygon]) -> bool:
    """Whether no two of some shapes overlap. They are shrunk by a hair: of shapes that touch along an edge GEOS 3.14
    now and then calls all of one the intersection."""
    shrunk = [shape.buffer(-1e-5) for shape in shapes]
    return all(one.intersection(other).area < 1e-6 for k, one in enumerate(shrunk) for other in shrunk[:k])


def turnings_on(one: Floats, other: Floats, near_mm: float = 1e-4) -> list[tuple[Floats, Floats]]:
    """Every turn (2, 2) and move (2,) with which `one` @ turn + move is `other`, both (N, 2) counter-clockwise
    outlines without straight corners."""
    found = []
    for k in range(len(other)) if len(one) == len(other) else ():
        there = np.roll(other, -k, axis=0)
        a, b = one[1] - one[0], there[1] - there[0]
        cosine, sine = np.array([a @ b, a[0] * b[1] - a[1] * b[0]]) / np.hypot(a @ b, a[0] * b[1] - a[1] * b[0])
        turn = np.array([[cosine, sine], [-sine, cosine]])
        move = there.mean(axis=0) - (one @ turn).mean(axis=0)
        if np.abs(one @ turn + move - there).max() < near_mm:
            found.append((turn, move))
    return found


def same_side_up(one: Floats, other: Floats) -> bool:
    """Whether two outlines are the same, turned and moved but not turned over."""
    return bool(turnings_on(bends(one), bends(other)))


def bends(corners: Floats) -> Floats:
    """(M, 2) of an outline (N, 2), without corners that are straight or nearly doubled."""
    before, after = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    corners = corners[np.hypot(*before.T) > 1e-5]
    before, after = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    sine = (before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]) / (np.hypot(*before.T) * np.hypot(*after.T))
    return np.asarray(corners[np.abs(sine) > 1e-6])
