"""What is seen at places that lie a shift deeper in the cloth, between the picture's own pixels."""

from __future__ import annotations

import math
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.windows import Axes, Picture

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

CLEAR_PX = 3.5  # inside all sides of a piece: surely cloth alone
DEEPEST_PX = 88  # inside a side: so far the print is looked through
BESIDE_PX = 12.0  # about as deep as a window reaches
OUTSIDE_PX = 8.0  # of the side: so far places are told
MIDDLE_PX, REACH_PX = (DEEPEST_PX - OUTSIDE_PX) / 2.0, (DEEPEST_PX + OUTSIDE_PX) / 2.0
NODES = np.cos(np.pi * (np.arange(7) + 0.5) / 7.0)  # Chebyshev's: a polynomial through them is near a lens between them
MOST_STEP_PX = 1.0
SLACK = 0.01  # of the sum of both ways' squares: stripes do not tell how far they are shifted along


class Ground(NamedTuple):
    """The cloth inside one side, in px along it and inward."""

    to_px: Floats  # (2, 15) x and y in the picture, quartic polynomials of places
    half_px: int  # along it from its middle: so far places are told
    borders: Floats  # (P, 3): px inside of where the piece is surely cloth, by each of its sides, of (1, along, inward)
    stretches_px: Floats  # (T + 1,) the ends of stretches of the side


class Places(NamedTuple):
    """N places of a ground."""

    px: Floats  # (N, 2) where the picture shows them
    along_px: Floats
    deep_px: Floats
    stretch: Ints  # in which each lies


def ground_beside(
    picture: Picture, axes: Axes, s: int, cloths: Ints, along_px: tuple[float, float], stretch_px: float
) -> Ground:
    """Of side `s` from place to place `along_px`; `cloths` (S,) are the pieces that all sides belong to."""
    middle, way, outward = axes.middles_mat_mm[s], axes.along[s], axes.outward[s]
    step_mm = 1.0 / float(axes.scale[s])
    half_px = math.ceil(float(axes.lengths_mm[s]) / 2.0 / step_mm) + DEEPEST_PX // 2
    (u, v), of_nodes = _nodes()
    nodes_mat_mm = middle + step_mm * (np.outer(half_px * u, way) - np.outer(MIDDLE_PX + REACH_PX * v, outward))
    to_px = (of_nodes @ picture.camera.px_from_mat(nodes_mat_mm, picture.height_mm)).T.copy()
    same = cloths == cloths[s]
    out, away = axes.outward[same], (middle - axes.middles_mat_mm[same]) / step_mm
    borders = -np.column_stack([np.sum(away * out, axis=1) + CLEAR_PX, out @ way, -(out @ outward)])
    ends = np.linspace(*along_px, max(1, round((along_px[1] - along_px[0]) / stretch_px)) + 1)
    return Ground(to_px, half_px, borders, ends)


@cache
def _nodes() -> tuple[Floats, Floats]:
    """(2, 49) places from -1 to 1, along and inward; (15, 49) what makes of values there a quartic's coefficients."""
    u, v = (one.ravel() for one in np.meshgrid(NODES, NODES))
    return np.stack([u, v]), np.linalg.pinv(np.column_stack([u**i * v**j for i in range(5) for j in range(5 - i)]))


def places_of(ground: Ground, along_px: Floats, deep_px: Floats) -> Places:
    """These (N,), each in the stretch that it lies in or is next to."""
    stretch = np.searchsorted(ground.stretches_px, along_px, side="right") - 1
    px = _seen_at(ground.to_px, float(ground.half_px), along_px, deep_px)
    return Places(px, along_px, deep_px, np.clip(stretch, 0, len(ground.stretches_px) - 2).astype(np.int64))


@compiled
def is_clear(borders: Floats, along: float, deep: float) -> bool:
    """Whether a place lies surely in the cloth within `borders` (P, 3)."""
    least = np.inf
    for p in range(len(borders)):
        least = min(least, borders[p, 0] + borders[p, 1] * along + borders[p, 2] * deep)
    return least >= 0.0


@compiled
def px_of(to_px: Floats, half_px: float, along: float, deep: float) -> tuple[float, float]:
    """Where the picture shows a place of a `Ground`: x and y."""
    u, v = along / half_px, (deep - MIDDLE_PX) / REACH_PX
    return _quartic(to_px, 0, u, v), _quartic(to_px, 1, u, v)


@compiled
def _quartic(of: Floats, k: int, u: float, v: float) -> float:
    """Polynomial k of those that have coefficients (2, 15), in the order of `_nodes`."""
    by_u, by_uu = of[k, 5] + v * (of[k, 6] + v * (of[k, 7] + v * of[k, 8])), of[k, 9] + v * (of[k, 10] + v * of[k, 11])
    rest = by_u + u * (by_uu + u * (of[k, 12] + v * of[k, 13] + u * of[k, 14]))
    return float(of[k, 0] + v * (of[k, 1] + v * (of[k, 2] + v * (of[k, 3] + v * of[k, 4]))) + u * rest)


@compiled
def _seen_at(to_px: Floats, half_px: float, along_px: Floats, deep_px: Floats) -> Floats:
    """(N, 2): where the picture shows places."""
    px = np.empty((len(along_px), 2))
    for n in range(len(px)):
        px[n, 0], px[n, 1] = px_of(to_px, half_px, along_px[n], deep_px[n])
    return px


@compiled
def _moved_by(ground: Ground, shifts_px: Floats) -> tuple[Floats, Floats]:
    """(K, 3, 2): px in the picture by which shifts (K, 2) move places beside the side, of (1, along, inward).

    And (K, P, 3), the borders of the places that they bring there.
    """
    moves, borders = np.zeros((len(shifts_px), 3, 2)), np.empty((len(shifts_px), len(ground.borders), 3))
    to_px, half_px, end_px = ground.to_px, float(ground.half_px), float(ground.half_px - DEEPEST_PX // 2)
    for k in range(len(shifts_px)):
        ahead, inward = shifts_px[k]
        for corner in range(4):
            u, v = 1.0 - 2.0 * (corner % 2), 1.0 - 2.0 * (corner // 2)
            here = px_of(to_px, half_px, u * end_px, v * BESIDE_PX)
            there = px_of(to_px, half_px, u * end_px + ahead, v * BESIDE_PX + inward)
            for c in range(2):
                off = (there[c] - here[c]) / 4.0
                moves[k, 0, c] += off
                moves[k, 1, c] += off * u / end_px
                moves[k, 2, c] += off * v / BESIDE_PX
        borders[k] = ground.borders
        for p in range(len(ground.borders)):
            borders[k, p, 0] += ground.borders[p, 1] * ahead + ground.borders[p, 2] * inward
    return moves, borders


@compiled
def _taps(place: float, weights: Singles, slopes: Singles) -> None:
    """Weights (4,) of four pixels about a place past the second of them, and of its slope.

    Cubic convolution: R. Keys, Cubic convolution interpolation for digital image processing, 1981.
    """
    t = np.float32(place)
    weights[0] = ((-t + np.float32(2.0)) * t - np.float32(1.0)) * t / np.float32(2.0)
    weights[1] = ((np.float32(3.0) * t - np.float32(5.0)) * t * t + np.float32(2.0)) / np.float32(2.0)
    weights[2] = ((np.float32(-3.0) * t + np.float32(4.0)) * t + np.float32(1.0)) * t / np.float32(2.0)
    weights[3] = (t - np.float32(1.0)) * t * t / np.float32(2.0)
    slopes[0] = (np.float32(-3.0) * t * t + np.float32(4.0) * t - np.float32(1.0)) / np.float32(2.0)
    slopes[1] = (np.float32(9.0) * t * t - np.float32(10.0) * t) / np.float32(2.0)
    slopes[2] = (np.float32(-9.0) * t * t + np.float32(8.0) * t + np.float32(1.0)) / np.float32(2.0)
    slopes[3] = (np.float32(3.0) * t * t - np.float32(2.0) * t) / np.float32(2.0)


@compiled
def _match(levels: Singles, ground: Ground, at: Places, own: Singles, shifts: Floats) -> Floats:
    """(K, T, 7): how what `shifts` (K, 2) show matches places that show `own` levels (N, 3), stretch by stretch.

    Count, squares of differences, and of their slopes along and inward the normal equations.
    """
    sums = np.zeros((len(shifts), len(ground.stretches_px) - 1, 7))
    wx, wy, sx, sy = np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32)
    (moves, borders), (height, width) = _moved_by(ground, shifts), levels.shape[:2]
    to_px, half_px = ground.to_px, float(ground.half_px)
    px, along_px, deep_px, stretch = at.px, at.along_px, at.deep_px, at.stretch
    here, ahead = px_of(to_px, half_px, 0.0, 0.0), px_of(to_px, half_px, 1.0, 0.0)
    deeper = px_of(to_px, half_px, 0.0, 1.0)
    x_by_along, y_by_along = np.float32(ahead[0] - here[0]), np.float32(ahead[1] - here[1])
    x_by_deep, y_by_deep = np.float32(deeper[0] - here[0]), np.float32(deeper[1] - here[1])
    for k in range(len(shifts)):
        move, near = moves[k], borders[k]
        for n in range(len(own)):
            along, deep = along_px[n], deep_px[n]
            if not is_clear(near, along, deep):
                continue
            x = px[n, 0] + move[0, 0] + move[1, 0] * along + move[2, 0] * deep
            y = px[n, 1] + move[0, 1] + move[1, 1] * along + move[2, 1] * deep
            if x < 1.0 or y < 1.0 or x >= width - 2.0 or y >= height - 2.0:
                continue
            left, top, t = int(x), int(y), stretch[n]
            _taps(x - left, wx, sx)
            _taps(y - top, wy, sy)
            sums[k, t, 0] += 1.0
            for c in range(3):
                value, by_x, by_y = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                for j in range(4):
                    row, slope = np.float32(0.0), np.float32(0.0)
                    for i in range(4):
                        one = levels[top - 1 + j, left - 1 + i, c]
                        row += wx[i] * one
                        slope += sx[i] * one
                    value += wy[j] * row
                    by_x += wy[j] * slope
                    by_y += sy[j] * row
                off = own[n, c] - value
                by_along = by_x * x_by_along + by_y * y_by_along
                by_deep = by_x * x_by_deep + by_y * y_by_deep
                sums[k, t, 1] += off * off
                sums[k, t, 2] += by_along * by_along
                sums[k, t, 3] += by_along * by_deep
                sums[k, t, 4] += by_deep * by_deep
                sums[k, t, 5] += by_along * off
                sums[k, t, 6] += by_deep * off
    return sums


@compiled
def matched(
    levels: Singles, ground: Ground, at: Places, own: Singles, shifts: Floats, votes: NDArray[np.bool_], steps: int
) -> tuple[Floats, Floats, Floats]:
    """Shifts (K, 2) moved so many steps to match places better in stretches (K, T) that vote.

    And of each in every stretch, (K, T), how many places are seen, and their mean square difference.
    """
    shifts = shifts.copy()
    for _ in range(steps):
        sums = _match(levels, ground, at, own, shifts)
        for k in range(len(shifts)):
            aa, ai, ii, a, i = 0.0, 0.0, 0.0, 0.0, 0.0
            for t in range(sums.shape[1]):
                if votes[k, t]:
                    aa, ai, ii = aa + sums[k, t, 2], ai + sums[k, t, 3], ii + sums[k, t, 4]
                    a, i = a + sums[k, t, 5], i + sums[k, t, 6]
            more = SLACK * (aa + ii) + 1e-12
            aa, ii = aa + more, ii + more
            per = 1.0 / max(aa * ii - ai * ai, 1e-30)
            shifts[k, 0] += max(-MOST_STEP_PX, min((ii * a - ai * i) * per, MOST_STEP_PX))
            shifts[k, 1] += max(-MOST_STEP_PX, min((aa * i - ai * a) * per, MOST_STEP_PX))
    sums = _match(levels, ground, at, own, shifts)
    return shifts, sums[..., 0], sums[..., 1] / np.maximum(sums[..., 0], 1.0)


@compiled
def shown_at(levels: Singles, ground: Ground, at: Places, shifts: Floats, shares: Floats) -> tuple[Singles, Singles]:
    """(N, 3): mean levels of places as shifts (K, 2) show them; (N,) how much of the shares is seen.

    Mixed in shares (T, K) of each stretch; where some of them are not seen, the others stand in.
    """
    (moves, borders), (height, width) = _moved_by(ground, shifts), levels.shape[:2]
    px, along_px, deep_px, stretch = at.px, at.along_px, at.deep_px, at.stretch
    result, seen = np.zeros((len(stretch), 3), np.float32), np.zeros(len(stretch), np.float32)
    wx, wy, unused = np.empty(4, np.float32), np.empty(4, np.float32), np.empty(4, np.float32)
    for n in range(len(stretch)):
        along, deep, total = along_px[n], deep_px[n], np.float32(0.0)
        for k in range(len(shifts)):
            share = np.float32(shares[stretch[n], k])
            if share == 0.0:
                continue
            if not is_clear(borders[k], along, deep):
                continue
            x = px[n, 0] + moves[k, 0, 0] + moves[k, 1, 0] * along + moves[k, 2, 0] * deep
            y = px[n, 1] + moves[k, 0, 1] + moves[k, 1, 1] * along + moves[k, 2, 1] * deep
            if x < 1.0 or y < 1.0 or x >= width - 2.0 or y >= height - 2.0:
                continue
            left, top = int(x), int(y)
            _taps(x - left, wx, unused)
            _taps(y - top, wy, unused)
            total += share
            for c in range(3):
                value = np.float32(0.0)
                for j in range(4):
                    row = np.float32(0.0)
                    for i in range(4):
                        row += wx[i] * levels[top - 1 + j, left - 1 + i, c]
                    value += wy[j] * row
                result[n, c] += share * value
        if total > 0.0:
            for c in range(3):
                result[n, c] /= total
        seen[n] = total
    return result, seen
