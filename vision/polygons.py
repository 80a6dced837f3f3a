"""Plane geometry of outlines: corners (N, 2), counter-clockwise; side i runs from corner i to corner i + 1."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def sides_of(corners: Floats) -> Floats:
    """(N, 2): each side as a vector."""
    return np.asarray(_following(corners) - corners)


def _following(corners: Floats) -> Floats:
    """As `np.roll(corners, -1, axis=0)`, which takes ten times as long."""
    return np.concatenate([corners[1:], corners[:1]])


def side_lengths(corners: Floats) -> Floats:
    """(N,)."""
    return np.asarray(np.hypot(*sides_of(corners).T))


def outward_normals(corners: Floats) -> Floats:
    """(N, 2) unit vectors across the sides, away from the inside."""
    ahead = sides_of(corners)
    return np.asarray(np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.hypot(*ahead.T)[:, None])


def interior_angles(corners: Floats) -> Floats:
    """(N,) radians in [0, 2 pi).

    >>> np.degrees(interior_angles(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))).round(6).tolist()
    [90.0, 45.0, 45.0]
    """
    ahead = sides_of(corners)
    back = -np.roll(ahead, 1, axis=0)
    cross = ahead[:, 0] * back[:, 1] - ahead[:, 1] * back[:, 0]
    return np.asarray(np.arctan2(cross, np.sum(ahead * back, axis=1)) % (2.0 * np.pi))


def signed_area(corners: Floats) -> float:
    """Positive where the corners run from x to y: counter-clockwise on the mat, clockwise to the eye in pixels."""
    ahead = _following(corners)
    return float(np.sum(corners[:, 0] * ahead[:, 1] - corners[:, 1] * ahead[:, 0]) / 2.0)


def depths(points: Floats, corners: Floats) -> Floats:
    """(P,): how deep points (P, 2) lie inside a convex outline; negative outside."""
    normals = outward_normals(corners)
    reach = np.sum(corners * normals, axis=1, keepdims=True)
    return np.asarray(np.min(reach - normals @ points.T, axis=0))


def line_meeting(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats | None:
    """(2,): where the lines a-b and c-d meet, or None where they are parallel."""
    u, v = b - a, d - c
    det = u[0] * v[1] - u[1] * v[0]
    if abs(det) < 1e-9 * (np.hypot(*u) * np.hypot(*v) + 1e-12):
        return None
    w = c - a
    return np.asarray(a + u * (w[0] * v[1] - w[1] * v[0]) / det)


def chord(outline: Floats, line: Floats) -> Floats | None:
    """(2, 2): where the line through two points (2, 2) enters and leaves an outline, or None; in the line's sense."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    side = (outline - line[0]) @ np.array([along[1], -along[0]])
    crossings = []
    for i in range(len(outline)):
        j = (i + 1) % len(outline)
        if (side[i] > 0) != (side[j] > 0):
            share = side[i] / (side[i] - side[j])
            crossings.append(outline[i] + share * (outline[j] - outline[i]))
    if len(crossings) < 2:
        return None
    crossings.sort(key=lambda point: float(point @ along))
    return np.array([crossings[0], crossings[-1]])


def side_distances(corners: Floats, i: int, j: int) -> tuple[float, float, float]:
    """Mean, least and greatest distance of sides i and j.

    Mean: of the two distances from one side's midpoint to the other side's line. Least and greatest: of the
    distances of each side's end points from the other side's line.
    """
    n = len(corners)
    middles, tips = [], []
    for one, other in ((i, j), (j, i)):
        (x, y), (end_x, end_y) = corners[[other, (other + 1) % n]].tolist()
        length = math.hypot(end_x - x, end_y - y)
        across, up = (end_y - y) / length, (end_x - x) / length
        first, last = ((px - x) * across - (py - y) * up for px, py in corners[[one, (one + 1) % n]].tolist())
        middles.append(abs(first + last) / 2.0)
        tips += [abs(first), abs(last)]
    return (middles[0] + middles[1]) / 2.0, min(tips), max(tips)
