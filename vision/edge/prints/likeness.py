"""How alike a print is in many places, roughly: its cells beside a side, next to those of all places deeper inside."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.encoding import encoded_at
from vision.edge.prints.shifted import DEEPEST_PX, Ground, is_clear, px_of
from vision.light import BGR_OF_LEVELS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

CELL_PX = 2
LEAST_SHARE = 0.6  # of what is looked for must lie in the cloth where it is found again
FEWEST_CELLS = 12


@compiled
def cells_beside(levels: Singles, ground: Ground, steps: Singles) -> tuple[Singles, Singles]:
    """(R, C, 3): encoded blue green red of cells of `CELL_PX` beside a side, less their mean; (R, C): 1 if clear, or 0.

    They reach as far as the ground has nodes, from the side on; of what is not clear nothing is told. The picture has
    `levels` (H, W, 3); `steps` are the encoder's.
    """
    height, width = levels.shape[:2]
    to_px, half_px, borders, half = ground.to_px, float(ground.half_px), ground.borders, ground.half_px
    rows, columns = DEEPEST_PX // CELL_PX, 2 * half // CELL_PX
    seen, clear = np.zeros((rows, columns, 3), np.float32), np.zeros((rows, columns), np.float32)
    of_cell, mean, many = np.empty(3, np.float32), np.zeros(3), 0
    share, middle = np.float32(1.0 / CELL_PX**2), (CELL_PX - 1.0) / 2.0
    for r in range(rows):
        for c in range(columns):
            if not is_clear(borders, CELL_PX * c + middle - half, CELL_PX * r + middle):
                continue
            of_cell[:] = np.float32(0.0)
            for down in range(CELL_PX * r, CELL_PX * (r + 1)):
                for on in range(CELL_PX * c - half, CELL_PX * (c + 1) - half):
                    x, y = px_of(to_px, half_px, on, down)
                    x, y = max(0.0, min(x, width - 1.001)), max(0.0, min(y, height - 1.001))
                    left, top = int(x), int(y)
                    p, q = np.float32(x - left), np.float32(y - top)
                    for k in range(3):
                        upper = levels[top, left, k] + p * (levels[top, left + 1, k] - levels[top, left, k])
                        lower = levels[top + 1, left, k] + p * (levels[top + 1, left + 1, k] - levels[top + 1, left, k])
                        of_cell[k] += share * (upper + q * (lower - upper))
            clear[r, c] = np.float32(1.0)
            many += 1
            for k in range(3):
                seen[r, c, k] = encoded_at(of_cell, BGR_OF_LEVELS[k], steps)
                mean[k] += seen[r, c, k]
    for r in range(rows):
        for c in range(columns):
            for k in range(3):
                seen[r, c, k] = clear[r, c] * (seen[r, c, k] - np.float32(mean[k] / max(many, 1)))
    return seen, clear


@compiled
def differences_beside(
    seen: Singles, clear: Singles, top: int, bottom: int, ends: Ints, least: int
) -> tuple[Singles, Singles]:
    """(T, D, 2 C) as `differences` has them, of stretches that end at columns `ends` (T + 1,); (T,) of strangers.

    Strangers, cells of a stretch without a likeness, differ by twice their variance.
    """
    stretches, (rows, columns) = len(ends) - 1, clear.shape
    costs = np.empty((stretches, max(rows - bottom - least + 1, 0), 2 * columns), np.float32)
    strangers = np.ones(stretches, np.float32)
    for t in range(stretches):
        costs[t] = differences(seen, clear, top, bottom, ends[t], ends[t + 1], least)
        count, total, squares = 0, np.zeros(3), 0.0
        for r in range(top, bottom):
            for c in range(ends[t], ends[t + 1]):
                if clear[r, c] > 0.0:
                    count += 1
                    for k in range(3):
                        total[k] += seen[r, c, k]
                        squares += seen[r, c, k] * seen[r, c, k]
        if count:
            varies = squares / count - np.sum(np.square(total / count))
            strangers[t] = max(2.0 * varies, 1e-9)
    return costs, strangers


@compiled
def differences(seen: Singles, clear: Singles, top: int, bottom: int, left: int, right: int, least: int) -> Singles:
    """(D, 2 C): mean square differences of a part of `seen` (R, C, 3) from what lies `least` + i rows further down.

    Column j is a shift by j - C columns. Only what is `clear` (R, C), 1 or 0, counts at both places; infinite where
    that is too little.
    """
    rows, columns = clear.shape
    high, wide = bottom - top, right - left
    cost = np.full((max(rows - bottom - least + 1, 0), 2 * columns), np.float32(np.inf), np.float32)
    if wide <= 0:
        return cost
    flat, own, mask = seen.reshape(rows, 3 * columns), np.empty((high, 3 * wide), np.float32), clear[top:bottom]
    own[:] = flat[top:bottom, 3 * left : 3 * right]
    whole, wanted, before = high * wide, 0.0, np.zeros(columns + 1)
    for r in range(high):
        for c in range(left, right):
            wanted += mask[r, c]
    enough = max(LEAST_SHARE * wanted, FEWEST_CELLS) - 0.5
    for d in range(len(cost)):
        first = top + least + d
        for c in range(columns):
            before[c + 1] = before[c]
            for r in range(first, first + high):
                before[c + 1] += clear[r, c]
        for at in range(columns - wide + 1):
            count = before[at + wide] - before[at]
            if count < enough:
                continue
            total = np.float32(0.0)
            if count == whole and wanted == whole:
                for r in range(high):
                    there, here = flat[first + r, 3 * at : 3 * (at + wide)], own[r]
                    for c in range(len(here)):
                        off = here[c] - there[c]
                        total += off * off
            else:
                count = 0.0
                for r in range(high):
                    for c in range(wide):
                        both = mask[r, left + c] * clear[first + r, at + c]
                        count += both
                        for k in range(3):
                            off = own[r, 3 * c + k] - flat[first + r, 3 * (at + c) + k]
                            total += np.float32(both) * off * off
                if count < enough:
                    continue
            cost[d, columns - left + at] = total / max(count, 1.0)
    return cost
