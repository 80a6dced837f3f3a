"""The equations of a side's unknowns from its pixels, with the cloth's levels eliminated from them.

Each bin has a level of its own, drawn to a line along the side by as much as its bins lie on one: light falls off over
a table, and levels drawn to their mean turn the edge. That line is told by the same pixels, and goes with the edge's
place and blur: held for known, it kept what a first guess had of the mat. Levels of a print are drawn to their mean.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.levels import Levels, add_to_line, expected, line_before, line_through, pull_of_falls
from vision.edge.misfit import STEPS
from vision.edge.model.predicting import Light
from vision.edge.pixels.sidepixels import SidePixels
from vision.edge.weighing import Weighed

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Real = float | np.floating[Any]

DRAWN = 0.25  # of what levels without order would draw: a print lies between order and none
TOLD, MOST_TOLD = 1e-6, 30.0  # nothing is told of a slope by less; logarithm of odds that leave no doubt
ZERO = np.float32(0.0)


class Sums(NamedTuple):
    """Of S sides with X unknowns of their light, and of their B bins."""

    normal: Floats  # (S, X, X) normal equations, levels eliminated
    info: Floats  # (S, 3) of the offset, by luma and colours
    scores: Floats  # (B, X) the gradient, bin by bin
    inverse: Floats  # (2, 2, 3, B) covariance of the levels and of their slopes across
    top: Floats  # (2, 3, B) what pulls at them
    cross: Floats  # (2, 3, B, X) how they follow the unknowns, before the inverse
    rests: Floats  # (3, S, 2, K) what is left of the light across each side's halves (`vision.edge.misfit`)


def no_sums(sides: int, bins: int, unknowns: int) -> Sums:
    """Nothing summed yet."""
    shapes = (sides, unknowns, unknowns), (sides, 3), (bins, unknowns), (2, 2, 3, bins), (2, 3, bins)
    return Sums(*(np.zeros(shape) for shape in (*shapes, (2, 3, bins, unknowns), (3, sides, 2, STEPS))))


@compiled
def sum_side(
    to: Sums,
    acting: Singles,
    light: Light,
    of: Weighed,
    w: SidePixels,
    s: int,
    levels: Levels,
    figured: bool,
    channels: int,
) -> None:
    """Sum the pixels of side `s` in so many channels; of a print (`figured`) the levels' slopes are eliminated, too.

    `acting` (3, N) is room. A Schur complement: the levels' prior is their spread along the side, so that plain cloth
    pays nothing for them.
    """
    first, last = w.bin_starts[w.side_bins[s]], w.bin_starts[w.side_bins[s + 1]]
    n, many, tilt = last - first, len(light.slopes), w.tilt[first:last]
    for c in range(channels):
        by_level, weights, rest, before = light.by_level[min(c, 1)], of.weights[c], of.rest[c], to.normal[s, 0, 0]
        for i in range(n):
            acting[0, i] = weights[i] * by_level[i]
            acting[1, i] = acting[0, i] * tilt[i]
            acting[2, i] = weights[i] * rest[i]
        for x in range(many):
            for y in range(x + 1):
                total = ZERO
                for i in range(n):
                    total += weights[i] * light.slopes[x, c, i] * light.slopes[y, c, i]
                to.normal[s, x, y] += total
        for b in range(w.side_bins[s], w.side_bins[s + 1]):
            begin, end = w.bin_starts[b] - first, w.bin_starts[b + 1] - first
            by_level_here, tilted, pulled = acting[0, begin:end], acting[1, begin:end], acting[2, begin:end]
            for x in range(many):
                slopes = light.slopes[x, c, begin:end]
                to.scores[b, x] += _product(pulled, slopes)
                to.cross[0, c, b, x] = _product(by_level_here, slopes)
                if figured:
                    to.cross[1, c, b, x] = _product(tilted, slopes)
            level, at_level = _product(by_level_here, by_level[begin:end]), _product(by_level_here, rest[begin:end])
            both, slope, at_slope = ZERO, ZERO, ZERO
            if figured:
                both, at_slope = _product(tilted, by_level[begin:end]), _product(tilted, rest[begin:end])
                for i in range(end - begin):
                    slope += tilted[i] * by_level[begin:end][i] * tilt[begin:end][i]
            meant = expected(levels, c, s, w.bin_places[b])
            _eliminate(to, c, b, s, levels, figured, meant, level, both, slope, at_level, at_slope)
        _eliminate_line(to, c, s, w.side_bins[s], w.side_bins[s + 1], levels, w.bin_places, figured)
        to.info[s, c] = to.normal[s, 0, 0] - before
    for x in range(many):
        for y in range(x):
            to.normal[s, y, x] = to.normal[s, x, y]


@compiled
def _product(a: Singles, b: Singles) -> np.float32:
    total = ZERO
    for i in range(len(a)):
        total += a[i] * b[i]
    return total


@compiled
def _eliminate(
    to: Sums,
    c: int,
    b: int,
    s: int,
    levels: Levels,
    figured: bool,
    meant: float,
    level: Real,
    both: Real,
    slope: Real,
    at_level: Real,
    at_slope: Real,
) -> None:
    """Take out the level of one bin and channel, and its slope, from how its pixels tell each of them and both.

    The level is `meant` to be what the line along the side has there.
    """
    prior = 1.0 / levels.u[0, c, s] ** 2
    level = level + prior
    to.top[0, c, b] = at_level + prior * (meant - levels.values[0, c, b])
    to.inverse[0, 0, c, b] = 1.0 / level
    if figured:
        prior = _slope_precision(c, b, s, levels, level, both, slope, at_level, at_slope)
        slope = slope + prior
        to.top[1, c, b] = at_slope + prior * (levels.mean[1, c, s] - levels.values[1, c, b])
        determinant = level * slope - both * both
        to.inverse[0, 0, c, b], to.inverse[1, 1, c, b] = slope / determinant, level / determinant
        to.inverse[0, 1, c, b] = to.inverse[1, 0, c, b] = -both / determinant
    for k in range(2 if figured else 1):
        for x in range(len(to.scores[b])):
            share = to.inverse[k, 0, c, b] * to.cross[0, c, b, x]
            if figured:
                share += to.inverse[k, 1, c, b] * to.cross[1, c, b, x]
            to.scores[b, x] -= share * to.top[k, c, b]
            for y in range(x + 1):
                to.normal[s, x, y] -= share * to.cross[k, c, b, y]


@compiled
def _slope_precision(
    c: int, b: int, s: int, levels: Levels, level: Real, both: Real, slope: Real, at_level: Real, at_slope: Real
) -> float:
    """By how much a print's level is held even across, in one bin and channel: less where a border seems to lie.

    Two normal distributions, weighed by Bayes' rule, as expectation maximisation has it.
    """
    told = max(slope - both * both / level, TOLD)
    seen = levels.values[1, c, b] + (at_slope - both / level * at_level) / told
    at_border, elsewhere = levels.u[1, c, s] ** 2, levels.flat_u[c, s] ** 2
    wide, narrow, share = at_border + 1.0 / told, elsewhere + 1.0 / told, levels.borders[s]
    odds = share / (1.0 - share) * np.sqrt(narrow / wide)
    odds *= np.exp(min(seen * seen * (1.0 / narrow - 1.0 / wide) / 2.0, MOST_TOLD))
    border = odds / (1.0 + odds)
    return float(border / at_border + (1.0 - border) / elsewhere)


@compiled
def _eliminate_line(
    to: Sums, c: int, s: int, begin: int, end: int, levels: Levels, places: Floats, figured: bool
) -> None:
    """Take out the line on which the levels of one side's bins `begin` to `end` lie in one channel."""
    prior, many = 1.0 / levels.u[0, c, s] ** 2, to.normal.shape[1]
    follow, weights = np.zeros((2, many)), line_before(levels, c, s)
    for b in range(begin, end):
        add_to_line(weights, prior * (1.0 - prior * to.inverse[0, 0, c, b]), places[b], figured)
        for x in range(many):
            both = prior * _both(to.inverse, to.cross, c, b, x)
            follow[0, x] += both
            follow[1, x] += 0.0 if figured else both * places[b]
    means, trends = np.empty(many), np.empty(many)
    for x in range(many):
        means[x], trends[x] = line_through(weights, follow[0, x], follow[1, x])
        for y in range(x + 1):
            to.normal[s, x, y] -= means[x] * follow[0, y] + trends[x] * follow[1, y]
    drawn = 0.0 if figured else pull_of_falls(levels, c, s) / max(end - begin, 1)
    for b in range(begin, end):
        pulled = levels.values[0, c, b] - expected(levels, c, s, places[b])
        pulled += to.inverse[0, 0, c, b] * to.top[0, c, b] + to.inverse[0, 1, c, b] * to.top[1, c, b]
        for x in range(many):
            to.scores[b, x] -= (means[x] + trends[x] * places[b]) * prior * pulled + trends[x] * drawn


@compiled
def _both(inverse: Floats, cross: Floats, c: int, b: int, x: int) -> float:
    """How the level of bin `b` follows unknown `x`, its slope across eliminated."""
    return float(inverse[0, 0, c, b] * cross[0, c, b, x] + inverse[0, 1, c, b] * cross[1, c, b, x])


@compiled
def take_back(to: Sums, light: Light, of: Weighed, w: SidePixels, s: int, channels: int) -> None:
    """Mend the gradient of side `s`, by offset, turn and bow, for what doubt of the levels does.

    The levels are only known so far: their doubt would draw the edge outward, where they explain more pixels. The
    likelihood's slope with the levels integrated out takes that back (Fisher's identity).
    """
    first = w.bin_starts[w.side_bins[s]]
    for b in range(w.side_bins[s], w.side_bins[s + 1]):
        begin, end = w.bin_starts[b], w.bin_starts[b + 1]
        tilt, along, bow = w.tilt[begin:end], w.along_px[begin:end], w.bow[begin:end]
        drawn, turned, bent = ZERO, ZERO, ZERO
        for c in range(channels):
            weights, lone = of.weights[c, begin - first : end - first], of.lone[c, begin - first : end - first]
            by_level = light.by_level[min(c, 1), begin - first : end - first]
            by_level_slope = light.by_level_slope[min(c, 1), begin - first : end - first]
            level, both = np.float32(to.inverse[0, 0, c, b]), np.float32(to.inverse[0, 1, c, b])
            slope = np.float32(to.inverse[1, 1, c, b])
            for i in range(end - begin):
                doubt = level + (both + both) * tilt[i] + slope * tilt[i] * tilt[i]
                by = weights[i] * by_level[i] * by_level_slope[i] * lone[i] * doubt
                drawn += by
                turned += by * along[i]
                bent += by * bow[i]
        to.scores[b, 0] -= DRAWN * drawn
        to.scores[b, 1] -= DRAWN * turned
        to.scores[b, 2] -= DRAWN * bent
