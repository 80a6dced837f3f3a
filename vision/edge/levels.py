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
    """The encoded levels of S sides' cloth in B bins, and of prints their slopes across (else 0).

    Light falls off over a table: the levels of plain cloth spread about a line along the side, not about their mean.
    """

    values: Floats  # (2, 3, B)
    mean: Floats  # (2, 3, S) along the side
    trend: Floats  # (3, S) from its middle to its end; 0 of prints
    falls: Floats  # (2, 3, S) what pixels deeper inside say of that, and how sure they are
    u: Floats  # (2, 3, S): how they spread about that; slopes, where a border of a figure lies
    flat_u: Floats  # (3, S): slopes elsewhere
    borders: Floats  # (S,): share of places where a border lies


def first_levels(
    w: SidePixels, offsets_px: Floats, falls: Floats, borders: Borders, known: Levels | None, learnt: Bools
) -> Levels:
    """From pixels surely inside of lines that lie `offsets_px` (S,) outward.

    Mean, trend and spread of sides that have `learnt` (S,) are those that another fit has `known`.
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
    trends = np.where(borders.figured, 0.0, falls[0])
    if known is not None:
        trends[:, learnt] = known.trend[:, learnt]
        means[:, :, learnt], spreads[:, :, learnt] = known.mean[:, :, learnt], known.u[:, :, learnt]
    flat_u = np.maximum(borders.flat.T, LEAST_SLOPE)
    return Levels(np.stack([values, np.zeros_like(values)]), means, trends, falls, spreads, flat_u, borders.share)


@compiled
def expected(levels: Levels, c: int, s: int, place: float) -> float:
    """The level that side `s` is expected to have in channel `c` at a place along it, -1 to 1."""
    return float(levels.mean[0, c, s] + levels.trend[c, s] * place)


@compiled
def line_through(weights: Floats, x: float, y: float) -> tuple[float, float]:
    """Mean and trend that solve normal equations `weights` (3,), of the mean, of both and of the trend, for (x, y)."""
    determinant = weights[0] * weights[2] - weights[1] * weights[1]
    return (weights[2] * x - weights[1] * y) / determinant, (weights[0] * y - weights[1] * x) / determinant


@compiled
def line_before(levels: Levels, c: int, s: int) -> Floats:
    """(3,): normal equations of mean and trend before any level is seen."""
    return np.array([1.0 / ANYWHERE**2, 0.0, 1.0 / levels.falls[1, c, s] ** 2])


@compiled
def pull_of_falls(levels: Levels, c: int, s: int) -> float:
    """How strongly the trend is drawn to what pixels deeper inside say."""
    return float((levels.falls[0, c, s] - levels.trend[c, s]) / levels.falls[1, c, s] ** 2)


@compiled
def add_to_line(weights: Floats, weight: float, place: float, figured: bool) -> None:
    """Add a level of so much weight to normal equations (3,) of mean and trend; of a print the trend is none."""
    weights[0] += weight
    if not figured:
        weights[1] += weight * place
        weights[2] += weight * place * place


@compiled
def following(
    levels: Levels,
    side_bins: Ints,
    places: Floats,
    figured: Bools,
    coloured: Bools,
    inverse: Floats,
    top: Floats,
    cross: Floats,
    change: Floats,
) -> Levels:
    """After a step of the unknowns of the light by `change` (S, X); what is seen of their line and spread is learnt.

    `places` (B,) are those of the bins along their sides; `inverse`, `top` and `cross` are those of
    `vision.edge.eliminating.Sums`. Of `figured` sides (S,) the slopes follow, too; of those that are not `coloured`
    (S,) luma alone.
    """
    values, mean, trend, u = levels.values.copy(), levels.mean.copy(), levels.trend.copy(), levels.u.copy()
    levels = Levels(values, mean, trend, levels.falls, u, levels.flat_u, levels.borders)
    pulls = np.empty((2, len(top[0, 0])))
    for s in range(len(change)):
        begin, end = side_bins[s], side_bins[s + 1]
        for c in range(3 if coloured[s] else 1):
            prior = 1.0 / levels.u[0, c, s] ** 2
            weights, drawn, turned = line_before(levels, c, s), 0.0, 0.0 if figured[s] else pull_of_falls(levels, c, s)
            for b in range(begin, end):
                level, slope = top[0, c, b], top[1, c, b]
                for x in range(change.shape[1]):
                    level -= cross[0, c, b, x] * change[s, x]
                    slope -= cross[1, c, b, x] * change[s, x]
                pulls[0, b], pulls[1, b] = level, slope
                add_to_line(weights, prior * (1.0 - prior * inverse[0, 0, c, b]), places[b], figured[s])
                off = levels.values[0, c, b] - expected(levels, c, s, places[b])
                off += inverse[0, 0, c, b] * level + inverse[0, 1, c, b] * slope
                drawn += prior * off
                turned += 0.0 if figured[s] else prior * off * places[b]
            drift, more = line_through(weights, drawn, turned)
            levels.mean[0, c, s] = max(LOWEST[c], min(levels.mean[0, c, s] + drift, HIGHEST[c]))
            levels.trend[c, s] += more
            for b in range(begin, end):
                level, slope = pulls[0, b] + prior * (drift + more * places[b]), pulls[1, b]
                moved = levels.values[0, c, b] + inverse[0, 0, c, b] * level + inverse[0, 1, c, b] * slope
                levels.values[0, c, b] = max(LOWEST[c], min(moved, HIGHEST[c]))
                if figured[s]:
                    moved = levels.values[1, c, b] + inverse[1, 0, c, b] * level + inverse[1, 1, c, b] * slope
                    levels.values[1, c, b] = max(-1.0, min(moved, 1.0))
            if end > begin:
                _learn(levels, s, c, begin, inverse[0, 0, c, begin:end], places, 1.0 if figured[s] else 2.0)
    return levels


@compiled
def _learn(levels: Levels, s: int, c: int, first: int, doubts: Floats, places: Floats, taken: float) -> None:
    """Spread of the levels of one side and channel about their line, no bin counting more than the middle one.

    `taken` are the unknowns of the line: its mean, and its trend if there is one.
    """
    count, highest = len(doubts), 0.0
    for doubt in doubts:
        highest = max(highest, doubt)
    least = middle_between(doubts, 0.0, highest)
    total, variance = 0.0, 0.0
    for k in range(count):
        weight = 1.0 / max(doubts[k], least)
        total += weight
        variance += weight * (levels.values[0, c, first + k] - expected(levels, c, s, places[first + k])) ** 2
    variance /= total
    levels.u[0, c, s] = np.sqrt(variance * count / max(count - taken, 1.0) + LEAST_SPREAD**2)
