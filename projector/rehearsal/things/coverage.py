"""How much of each camera pixel a convex piece of something covers, exactly, pixels being little squares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

CORNER_SAMPLES = 16  # across a pixel in which two sides meet


def half_square(distance: Floats, across_u: Floats, across_v: Floats) -> Floats:
    """Part of a unit square on the positive side of a straight edge.

    `distance` is the signed distance at the square's middle, `across_u` and `across_v` its change from
    pixel to pixel: any unit, all (N,). The second integral of a step, differenced over the four corners.
    """
    steepest = np.maximum(np.abs(across_u), np.abs(across_v))
    a = np.maximum(np.abs(across_u), 1e-4 * steepest) / 2
    b = np.maximum(np.abs(across_v), 1e-4 * steepest) / 2
    corners = [(1, a + b), (-1, a - b), (-1, b - a), (1, -a - b)]
    total = sum(sign * np.maximum(distance + reach, 0.0) ** 2 for sign, reach in corners)
    return np.clip(total / (8.0 * a * b), 0.0, 1.0)


def sides_of(corners_mm: Floats) -> Floats:
    """Sides of a convex counter-clockwise outline (N, 2) as (N, 3): unit inward normal and its offset."""
    ahead = np.roll(corners_mm, -1, axis=0) - corners_mm
    length = np.hypot(ahead[:, 0], ahead[:, 1])
    kept = length > 1e-9
    normal = np.stack([-ahead[kept, 1], ahead[kept, 0]], axis=1) / length[kept, None]
    return np.column_stack([normal, np.sum(normal * corners_mm[kept], axis=1)])


def convex_cover(corners_mm: Floats, x_mm: Plane, y_mm: Plane) -> Plane:
    """Coverage, 0 to 1, of every pixel by a convex outline (N, 2), counter-clockwise.

    `x_mm`, `y_mm` (h, w) say which point of the outline's plane the middle of each pixel sees. The map is
    taken as straight within a pixel. Sides are exact; a pixel with a corner in it is sampled 16 x 16.
    """
    sides = sides_of(corners_mm)
    slopes = [np.asarray(np.gradient(m, axis=k), np.float32) for m in (x_mm, y_mm) for k in (1, 0)]
    reach = max(float(np.abs(s).max()) for s in slopes) * 2.0
    cover = np.ones(x_mm.shape, np.float64)
    meets = np.zeros(x_mm.shape, np.uint8)
    xu, xv, yu, yv = (s.ravel() for s in slopes)
    for nx, ny, offset in sides:
        distance = (nx * x_mm + ny * y_mm - offset).astype(np.float64)
        cover[distance <= 0] *= distance[distance <= 0] > -reach
        near = np.flatnonzero(np.abs(distance) < reach)
        u, v = nx * xu[near] + ny * yu[near], nx * xv[near] + ny * yv[near]
        part = half_square(distance.ravel()[near], u, v)
        cover.ravel()[near] *= part
        meets.ravel()[near] += (part > 0) & (part < 1)
    crowded = np.flatnonzero(((meets > 1) & (cover > 0)).ravel())
    cover.ravel()[crowded] = _sampled(
        sides, x_mm.ravel()[crowded], y_mm.ravel()[crowded], [s[crowded] for s in (xu, xv, yu, yv)]
    )
    return cover.astype(np.float32)


def _sampled(sides: Floats, x: Plane, y: Plane, slopes: list[Plane]) -> Floats:
    """Coverage of single pixels (N,) by counting points of a fine grid."""
    xu, xv, yu, yv = slopes
    step = (np.arange(CORNER_SAMPLES) + 0.5) / CORNER_SAMPLES - 0.5
    u, v = (g.ravel() for g in np.meshgrid(step, step))
    px = x[:, None] + xu[:, None] * u + xv[:, None] * v
    py = y[:, None] + yu[:, None] * u + yv[:, None] * v
    inside = np.ones(px.shape, bool)
    for nx, ny, offset in sides:
        inside &= nx * px + ny * py > offset
    return np.asarray(inside.mean(axis=1))
