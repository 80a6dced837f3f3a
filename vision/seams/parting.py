"""How much better two fabrics explain the pixels of a piece than one, for every line that may part it: compiled loops.

Sums over pixels are of 1, x and x x' (0 0, 0 1, 0 2, 1 1, 1 2, 2 2), x a pixel's three levels: ten numbers.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]

LEAST_PART = 0.08  # of the area must be on either side
BINS = 64


@compiled
def cells_inside(nodes: Floats, across: int, down: int, outline: Floats, rim: float) -> tuple[Ints, Floats]:
    """Which of a box of cells, `across` in each of `down` rows, lie more than `rim` inside a convex outline (N, 2).

    Their numbers (C,), row by row, and their middles (C, 2), by the parabolas through what the box's ends and middles
    are, `nodes` (3, 3, 2), row by row: so small a part of any lens' picture.
    """
    sides, found = np.empty((len(outline), 3)), np.empty(across * down, np.int64)
    for k in range(len(outline)):
        a, b = outline[k], outline[(k + 1) % len(outline)]
        length = math.hypot(b[0] - a[0], b[1] - a[1])
        sides[k, 0], sides[k, 1] = (b[1] - a[1]) / length, (a[0] - b[0]) / length
        sides[k, 2] = sides[k, 0] * a[0] + sides[k, 1] * a[1] - rim
    places, line, many = np.empty((across * down, 2)), np.empty((3, 2)), 0
    for row in range(down):
        t = (2.0 * row + 1.0) / down - 1.0
        for k in range(3):
            for c in range(2):
                line[k, c] = t * (t - 1.0) / 2.0 * nodes[0, k, c] + (1.0 - t * t) * nodes[1, k, c]
                line[k, c] += t * (t + 1.0) / 2.0 * nodes[2, k, c]
        for column in range(across):
            s = (2.0 * column + 1.0) / across - 1.0
            before, here, after = s * (s - 1.0) / 2.0, 1.0 - s * s, s * (s + 1.0) / 2.0
            x = before * line[0, 0] + here * line[1, 0] + after * line[2, 0]
            y = before * line[0, 1] + here * line[1, 1] + after * line[2, 1]
            inside = True
            for k in range(len(sides)):
                inside = inside and sides[k, 0] * x + sides[k, 1] * y < sides[k, 2]
            if inside:
                found[many], places[many, 0], places[many, 1] = row * across + column, x, y
                many += 1
    return found[:many].copy(), places[:many].copy()


@compiled
def moments_of(levels: Floats32, cells: Ints, across: int, corner: tuple[int, int], size: int, shade: Floats) -> Floats:
    """(C, 10) sums over squares of `size` px of a picture (H, W, 3), its levels over the `shade` of each square.

    The squares are the `cells` (C,) of a box, `across` in each row, whose first pixel is at `corner` (x, y); `shade` is
    that of all of the box.
    """
    sums = np.zeros((len(cells), 10))
    for i in range(len(cells)):
        own, whiter = sums[i], 1.0 / shade[cells[i]]
        left, top = corner[0] + size * (cells[i] % across), corner[1] + size * (cells[i] // across)
        own[0] = size * size
        for y in range(top, top + size):
            for x in range(left, left + size):
                a, b, c = np.float64(levels[y, x, 0]), np.float64(levels[y, x, 1]), np.float64(levels[y, x, 2])
                own[1] += a
                own[2] += b
                own[3] += c
                own[4] += a * a
                own[5] += a * b
                own[6] += a * c
                own[7] += b * b
                own[8] += b * c
                own[9] += c * c
        for j in range(1, 10):
            own[j] *= whiter if j < 4 else whiter * whiter
    return sums


@compiled
def best_parting(places: Floats, moments: Floats, noise: Floats, normals: Floats) -> tuple[float, int, float]:
    """The line that gains most, of those across one of `normals` (K, 2): its gain, its normal's number, and its place.

    `places` (C, 2) are those of cells with sums `moments` (C, 10); each direction is cut into `BINS`. The gain is in
    nats a pixel by normal likelihoods, `noise` (3,) added to each channel's spread; minus infinity where no line leaves
    enough on both sides.
    """
    whole = np.zeros(10)
    for i in range(len(moments)):
        whole += moments[i]
    of_whole, best, which, place = _log_det(whole, noise), -np.inf, 0, 0.0
    across, sums, beyond = np.empty(len(places)), np.empty((BINS, 10)), np.empty(10)
    for k in range(len(normals)):
        low, high = np.inf, -np.inf
        for i in range(len(places)):
            across[i] = normals[k, 0] * places[i, 0] + normals[k, 1] * places[i, 1]
            low, high = min(low, across[i]), max(high, across[i])
        width = (high - low + 1e-9) / BINS
        sums.fill(0.0)
        for i in range(len(places)):
            own = min(int((across[i] - low) / width), BINS - 1)
            for j in range(10):
                sums[own, j] += moments[i, j]
        for b in range(BINS - 1):
            if b:
                for j in range(10):
                    sums[b, j] += sums[b - 1, j]
            share = sums[b, 0] / whole[0]
            if share <= LEAST_PART or share >= 1.0 - LEAST_PART:
                continue
            for j in range(10):
                beyond[j] = whole[j] - sums[b, j]
            gain = 0.5 * (of_whole - share * _log_det(sums[b], noise) - (1.0 - share) * _log_det(beyond, noise))
            if gain > best:
                best, which, place = gain, k, low + (b + 1) * width
    return best, which, place


@compiled
def _log_det(sums: Floats, noise: Floats) -> float:
    """Log determinant of the covariance behind ten sums, noise added."""
    count = max(sums[0], 1.0)
    x, y, z = sums[1] / count, sums[2] / count, sums[3] / count
    a, b, c = sums[4] / count - x * x + noise[0] ** 2, sums[5] / count - x * y, sums[6] / count - x * z
    d, e, f = sums[7] / count - y * y + noise[1] ** 2, sums[8] / count - y * z, sums[9] / count - z * z + noise[2] ** 2
    return math.log(max(a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d), 1e-300))
