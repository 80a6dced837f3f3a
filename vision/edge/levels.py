"""What is known of the cloth's levels beside many sides: of each bin, and how they lie along a side."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.pixels.sidepixels import SidePixels
from vision.edge.prints.borders import Borders
from vision.medians import middle_between

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SURELY_PX = 1.5  # inside the line: cloth
ANYWHERE = 1.0  # of the encoded range: standard deviation of a mean of which nothing is known
FREE = 0.3  # of the encoded range: nothing is known
LEAST_SPREAD = 1e-3  # of the encoded range, that the levels of any cloth vary along a line
FEWEST = 2  # pixels that tell a level
LOWEST, HIGHEST = np.array([0.0, -0.5, -0.5]), np.array([1.0, 0.5, 0.5])  # luma and colour differences
LEAST_SLOPE = 1e-4  # of the encoded range: a print's levels change across it by so much at least


class Levels(NamedTuple):
    """The encoded levels of S sides' cloth in B bins, and of prints their slopes across (else 0)."""

    values: Floats  # (2, 3, B)
    mean: Floats  # (2, 3, S) along the side
    u: Floats  # (2, 3, S): how they spread along it; slopes, where a border of a figure lies
    flat_u: Floats  # (3, S): slopes elsewhere
    borders: Floats  # (S,): share of places where a border lies


def first_levels(w: SidePixels, offsets_px: Floats, borders: Borders, known: Levels | None, learnt: Bools) -> Levels:
    """From pixels surely inside of lines that lie `offsets_px` (S,) outward.

    Mean and spread of sides that have `learnt` (S,) are
    those that another fit has `known`.
    """
    sides, bins = np.diff(w.side_bins), np.diff(w.bin_starts)
    side = np.repeat(np.arange(len(sides)), sides)
    inside = (w.across_px < np.repeat(offsets_px[side] - SURELY_PX, bins)).astype(np.float64)
    count = np.add.reduceat(inside, w.bin_starts[:-1])
    total = np.add.reduceat(w.cloth_seen * inside, w.bin_starts[:-1], axis=1)
    of_sides = np.maximum(np.bincount(side, count, len(sides)), 1.0)
    mean = np.array([np.bincount(side, one, len(sides)) / of_sides for one in total])
    values = np.where(count > FEWEST, total / np.maximum(count, 1.0), mean[:, side])
    means, spreads = np.stack([mean, np.zeros_like(mean)]), np.full((2, 3, len(sides)), FREE)
    spreads[1] = np.maximum(borders.step.T, LEAST_SLOPE)
    if known is not None:
        means[:, :, learnt], spreads[:, :, learnt] = known.mean[:, :, learnt], known.u[:, :, learnt]
    flat_u = np.maximum(borders.flat.T, LEAST_SLOPE)
    return Levels(np.stack([values, np.zeros_like(values)]), means, spreads, flat_u, borders.share)


@compiled
def following(
    levels: Levels,
    side_bins: Ints,
    figured: Bools,
    coloured: Bools,
    inverse: Floats,
    top: Floats,
    cross: Floats,
    change: Floats,
) -> Levels:
    """After a step of the unknowns of the light by `change` (S, X); what is seen of their mean and spread is learnt.

    `inverse`, `top` and `cross` are those of `vision.edge.eliminating.Sums`. Of `figured` sides (S,) the slopes follow,
    too; of those that are not `coloured` (S,) luma alone.
    """
    levels = Levels(levels.values.copy(), levels.mean.copy(), levels.u.copy(), levels.flat_u, levels.borders)
    pulls = np.empty((2, len(top[0, 0])))
    for s in range(len(change)):
        begin, end = side_bins[s], side_bins[s + 1]
        for c in range(3 if coloured[s] else 1):
            prior = 1.0 / levels.u[0, c, s] ** 2
            weight, drawn = 1.0 / ANYWHERE**2, 0.0
            for b in range(begin, end):
                level, slope = top[0, c, b], top[1, c, b]
                for x in range(change.shape[1]):
                    level -= cross[0, c, b, x] * change[s, x]
                    slope -= cross[1, c, b, x] * change[s, x]
                pulls[0, b], pulls[1, b] = level, slope
                weight += prior * (1.0 - prior * inverse[0, 0, c, b])
                drawn += levels.values[0, c, b] - levels.mean[0, c, s]
                drawn += inverse[0, 0, c, b] * level + inverse[0, 1, c, b] * slope
            drift = prior * drawn / weight
            levels.mean[0, c, s] = max(LOWEST[c], min(levels.mean[0, c, s] + drift, HIGHEST[c]))
            for b in range(begin, end):
                level, slope = pulls[0, b] + prior * drift, pulls[1, b]
                moved = levels.values[0, c, b] + inverse[0, 0, c, b] * level + inverse[0, 1, c, b] * slope
                levels.values[0, c, b] = max(LOWEST[c], min(moved, HIGHEST[c]))
                if figured[s]:
                    moved = levels.values[1, c, b] + inverse[1, 0, c, b] * level + inverse[1, 1, c, b] * slope
                    levels.values[1, c, b] = max(-1.0, min(moved, 1.0))
            if end > begin:
                _learn(levels, s, c, begin, inverse[0, 0, c, begin:end])
    return levels


@compiled
def _learn(levels: Levels, s: int, c: int, first: int, doubts: Floats) -> None:
    """Spread of the levels of one side and channel about their mean, no bin counting more than the middle one."""
    count, highest = len(doubts), 0.0
    for doubt in doubts:
        highest = max(highest, doubt)
    least = middle_between(doubts, 0.0, highest)
    total, variance = 0.0, 0.0
    for k in range(count):
        weight = 1.0 / max(doubts[k], least)
        total += weight
        variance += weight * (levels.values[0, c, first + k] - levels.mean[0, c, s]) ** 2
    variance /= total
    levels.u[0, c, s] = np.sqrt(variance * count / max(count - 1.0, 1.0) + LEAST_SPREAD**2)
