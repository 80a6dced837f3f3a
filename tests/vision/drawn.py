"""Units drawn from a known truth and a known covariance of their sides: no picture, only the numbers."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.comparing.expected import ExpectedShape
from vision.outlines.sidedoubt import SideDoubt, corner_slopes, width_slopes
from vision.polygons import line_meeting, outward_normals, side_distances, side_lengths, sides_of
from vision.units import MeasuredUnit, Seam, Width

Floats = NDArray[np.float64]

OBLONG = ExpectedShape("oblong", np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 55.0], [0.0, 55.0]]))
SLANT = ExpectedShape("slant", np.array([[0.0, 0.0], [85.0, 0.0], [165.0, 80.0], [80.0, 80.0]]))
TRIANGLE = ExpectedShape("triangle", np.array([[0.0, 0.0], [90.0, 0.0], [0.0, 70.0]]))
ODD = ExpectedShape("odd", np.array([[0.0, 0.0], [100.0, 0.0], [80.0, 60.0], [10.0, 90.0]]))
HALVES = ExpectedShape(
    "halves", np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 80.0], [0.0, 80.0]]), np.array([[[0.0, 0.0], [80.0, 80.0]]])
)


def laid(points: Floats, turn_rad: float, shift_mm: Floats) -> Floats:
    """A rigid motion of (..., 2) points."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    return np.asarray(points @ np.array([[c, s], [-s, c]]) + shift_mm)


def with_sides_changed(corners: Floats, change: Floats) -> Floats:
    """The outline with its sides offset (mm, outward) and turned (rad, counter-clockwise) about their midpoints."""
    n, ahead = len(corners), sides_of(corners)
    middles = corners + ahead / 2.0 + outward_normals(corners) * change[:n, None]
    cosine, sine = np.cos(change[n:]), np.sin(change[n:])
    along = np.column_stack([cosine * ahead[:, 0] - sine * ahead[:, 1], sine * ahead[:, 0] + cosine * ahead[:, 1]])
    pairs = [(i - 1, i) for i in range(n)]
    meetings = [line_meeting(middles[a], middles[a] + along[a], middles[b], middles[b] + along[b]) for a, b in pairs]
    assert all(one is not None for one in meetings)
    return np.array(meetings)


def changed(n: int, **sides: float) -> Floats:
    """A change (2N,) from names like off1 (mm) and turn3 (degrees)."""
    change = np.zeros(2 * n)
    for name, value in sides.items():
        kind, side = name[:-1], int(name[-1])
        change[side + (n if kind == "turn" else 0)] = math.radians(value) if kind == "turn" else value
    return change


def doubt_about(corners: Floats, u_mm: float = 0.02, shift_u_mm: float = 0.1, scale_u: float = 1e-4) -> SideDoubt:
    """Sides that each err by themselves, a shift that they have in common, and a doubtful scale."""
    n, normals = len(corners), outward_normals(corners)
    middles = corners + sides_of(corners) / 2.0
    own = np.concatenate([np.full(n, u_mm), u_mm * math.sqrt(12.0) / side_lengths(corners)])
    shifts = np.vstack([normals * shift_u_mm, np.zeros((n, 2))])
    growth = np.concatenate([np.sum((middles - middles.mean(axis=0)) * normals, axis=1) * scale_u, np.zeros(n)])
    return SideDoubt(corners, np.diag(own**2), shifts @ shifts.T, np.outer(growth, growth), np.zeros((2 * n, 2 * n)))


def unit_with(corners: Floats, doubt: SideDoubt, seams: tuple[Seam, ...] = ()) -> MeasuredUnit:
    """A unit measured to have these corners."""
    n, ahead = len(corners), sides_of(corners)
    directions = np.arctan2(ahead[:, 1], ahead[:, 0])
    pairs = [(i, j) for i in range(n) for j in range(i + 1, n) if abs(math.sin(directions[i] - directions[j])) < 0.087]
    widths = tuple(
        Width(p, *side_distances(corners, *p), float(doubt.u_of(width_slopes(corners, *p)[None])[0])) for p in pairs
    )
    u = np.sqrt(np.diag(doubt.total))
    slopes = corner_slopes(corners)
    corners_u = [math.sqrt(np.linalg.norm(doubt.of(slopes[2 * i : 2 * i + 2]), 2)) for i in range(n)]
    bows_u = np.full(n, 0.05)
    return MeasuredUnit(
        corners, np.array(corners_u), u[:n], u[n:], np.zeros(n), widths, seams, bows_u_mm=bows_u, doubt=doubt
    )


def errors(doubt: SideDoubt, rng: np.random.Generator, count: int = 1) -> Floats:
    """(count, 2N) draws of the sides' errors."""
    values, vectors = np.linalg.eigh(doubt.total)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(rng.normal(size=(count, len(values))) @ root.T)


def measured(true: Floats, rng: np.random.Generator, **doubts: float) -> MeasuredUnit:
    """A unit whose true corners are these, measured with errors drawn from its own covariance."""
    doubt = doubt_about(true, **doubts)
    return unit_with(with_sides_changed(true, errors(doubt, rng)[0]), doubt)
