"""Raw outlines: a finished outline grown by the seam allowance, corners mitred, and ears trimmed off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PARALLEL = 1e-12  # sine of the angle between lines that do not meet


@dataclass(frozen=True, eq=False, slots=True)
class HalfPlane:
    """All places p with `normal` . p <= `reach_mm`; the normal is a unit vector."""

    normal: Floats  # (2,)
    reach_mm: float

    def beyond_mm(self, points_mm: Floats) -> Floats:
        """(N,): how far points (N, 2) lie beyond its rim, negative inside."""
        return np.asarray(points_mm @ self.normal - self.reach_mm)


def raw_edge(start_mm: Floats, end_mm: Floats, allowance_mm: float) -> HalfPlane:
    """The half-plane within the raw edge that belongs to a finished edge; the piece lies on the edge's left."""
    along = end_mm - start_mm
    normal = np.array([along[1], -along[0]]) / math.hypot(*along)
    return HalfPlane(normal, float(normal @ start_mm) + allowance_mm)


def grown(corners_mm: Floats, allowance_mm: float) -> Floats:
    """(N, 2): a polygon with each side moved outward by the allowance, neighbours meeting where they then cross.

    Corner i of the result belongs to corner i of the polygon. A straight corner stays one. With a negative allowance
    the polygon shrinks: what was grown comes back.
    """
    n = len(corners_mm)
    ends = np.roll(corners_mm, -1, axis=0)
    along = (ends - corners_mm) / np.hypot(*(ends - corners_mm).T)[:, None]
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    before, after = np.roll(normal, 1, axis=0), normal
    sine = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    cosine = np.sum(before * after, axis=1)
    straight = np.abs(sine) < PARALLEL
    # Where lines n1.p = n1.v + s and n2.p = n2.v + s cross: v + s (n1 + n2) / (1 + n1.n2).
    move = allowance_mm * (before + after) / np.where(straight, 2.0, 1.0 + cosine)[:, None]
    return np.asarray(corners_mm + move).reshape(n, 2)


def clipped(corners_mm: Floats, limit: HalfPlane) -> Floats:
    """A convex polygon (N, 2) without what lies beyond a half-plane's rim (Sutherland and Hodgman, 1974)."""
    beyond = limit.beyond_mm(corners_mm)
    if np.all(beyond <= 1e-9):
        return corners_mm
    kept: list[Floats] = []
    for i, here in enumerate(corners_mm):
        j = (i + 1) % len(corners_mm)
        if beyond[i] <= 0.0:
            kept.append(here)
        if (beyond[i] < 0.0 < beyond[j]) or (beyond[j] < 0.0 < beyond[i]):
            kept.append(here + (corners_mm[j] - here) * (beyond[i] / (beyond[i] - beyond[j])))
    return np.array(kept).reshape(-1, 2)
