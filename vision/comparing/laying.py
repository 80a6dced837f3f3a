"""Lay one polygon on another of as many corners, (N, 2) each: compiled, for `rigidfit` tries many numberings."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats = NDArray[np.float64]

STEPS, SETTLED = 5, 1e-7


class Laid(NamedTuple):
    """A polygon where it came to lie."""

    angle: float
    shift: Floats  # (2,)
    corners: Floats  # (N, 2)
    offsets: Floats  # (N,) of the other's side midpoints from its sides, positive outward
    worst: float  # distance of corners


@compiled
def farthest_off(expected: Floats, measured: Floats) -> Floats:
    """(N,) of each turn of the numbering: how far the worst corner is off where all are laid on the others best.

    In the least squares sense; corner 0 of `measured` is the others' corner `roll`.
    """
    n = len(expected)
    worst = np.zeros(n)
    for roll in range(n):
        turned = np.concatenate((measured[n - roll :], measured[: n - roll]))
        angle, x, y = _centred(expected, turned)
        c, s = math.cos(angle), math.sin(angle)
        for k in range(n):
            e, m = expected[k], turned[k]
            off = math.hypot(c * e[0] - s * e[1] + x - m[0], s * e[0] + c * e[1] + y - m[1])
            worst[roll] = max(worst[roll], off)
    return worst


@compiled
def laid_on(expected: Floats, measured: Floats, blind: float) -> Laid:
    """`expected` on `measured`: by whole sides, then by their midpoints.

    Motions to which the midpoints are blind, by the share `blind` of what they see best, are left to whole sides.
    """
    n, (angle, x, y) = len(expected), _centred(expected, measured)
    middles, whole = np.empty((n, 2)), np.empty((2 * n, 2))
    for k in range(n):
        half = (measured[(k + 1) % n] - measured[k]) / 2.0
        middles[k] = measured[k] + half
        whole[k], whole[n + k] = middles[k] - half / math.sqrt(3.0), middles[k] + half / math.sqrt(3.0)
    shift = np.array([x, y])
    angle, shift = _stepped(angle, shift, expected, whole, 0.0)
    angle, shift = _stepped(angle, shift, expected, middles, blind)
    c, s, worst = math.cos(angle), math.sin(angle), 0.0
    corners, offsets = np.empty((n, 2)), np.empty(n)
    for k in range(n):
        corners[k, 0] = c * expected[k, 0] - s * expected[k, 1] + shift[0]
        corners[k, 1] = s * expected[k, 0] + c * expected[k, 1] + shift[1]
        worst = max(worst, math.hypot(corners[k, 0] - measured[k, 0], corners[k, 1] - measured[k, 1]))
    for k in range(n):
        along, off = corners[(k + 1) % n] - corners[k], middles[k] - corners[k]
        offsets[k] = (off[0] * along[1] - off[1] * along[0]) / math.hypot(along[0], along[1])
    return Laid(angle, shift, corners, offsets, worst)


@compiled
def _centred(expected: Floats, measured: Floats) -> tuple[float, float, float]:
    """Angle and shift that lay corners on corners best."""
    n = len(expected)
    ex, ey = expected[:, 0].sum() / n, expected[:, 1].sum() / n
    mx, my = measured[:, 0].sum() / n, measured[:, 1].sum() / n
    cross, dot = 0.0, 0.0
    for k in range(n):
        a, b, c, d = expected[k, 0] - ex, expected[k, 1] - ey, measured[k, 0] - mx, measured[k, 1] - my
        cross += a * d - b * c
        dot += a * c + b * d
    angle = math.atan2(cross, dot)
    c, s = math.cos(angle), math.sin(angle)
    return angle, mx - (c * ex - s * ey), my - (s * ex + c * ey)


@compiled
def _stepped(angle: float, shift: Floats, expected: Floats, points: Floats, blind: float) -> tuple[float, Floats]:
    """Gauss-Newton on the distances of points (k N, 2) from the sides that they belong to, in turn."""
    n, many = len(expected), len(points)
    cx, cy, square = points[:, 0].sum() / many, points[:, 1].sum() / many, 0.0
    for p in points:
        square += (p[0] - cx) ** 2 + (p[1] - cy) ** 2
    size, row = math.sqrt(square / many), np.empty(3)
    for _ in range(STEPS):
        c, s = math.cos(angle), math.sin(angle)
        normal, right = np.zeros((3, 3)), np.zeros(3)
        for k in range(many):
            a, b = expected[k % n], expected[(k + 1) % n]
            x, y = c * a[0] - s * a[1] + shift[0], s * a[0] + c * a[1] + shift[1]
            along_x, along_y = c * (b[0] - a[0]) - s * (b[1] - a[1]), s * (b[0] - a[0]) + c * (b[1] - a[1])
            length = math.hypot(along_x, along_y)
            row[0], row[1] = along_y / length, -along_x / length
            row[2] = (row[1] * (points[k, 0] - cx) - row[0] * (points[k, 1] - cy)) / size
            off = (points[k, 0] - x) * row[0] + (points[k, 1] - y) * row[1]
            for i in range(3):
                right[i] += row[i] * off
                for j in range(3):
                    normal[i, j] += row[i] * row[j]
        change = _least(normal, right, blind)
        turn = change[2] / size
        c, s = math.cos(turn), math.sin(turn)
        x, y = shift[0] - cx, shift[1] - cy
        shift = np.array([cx + c * x - s * y + change[0], cy + s * x + c * y + change[1]])
        angle += turn
        if np.abs(change).max() < SETTLED:
            break
    return angle, shift


@compiled
def _least(normal: Floats, right: Floats, blind: float) -> Floats:
    """The shortest solution (3,) of normal equations, without directions seen less than `blind` of the best seen."""
    squares, ways = np.linalg.eigh(normal)
    change = np.zeros(3)
    for k in range(3):
        if squares[k] > max(blind**2, 1e-12) * squares[2]:
            way = ways[:, k]
            change += way * ((way[0] * right[0] + way[1] * right[1] + way[2] * right[2]) / squares[k])
    return change
