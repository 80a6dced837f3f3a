"""Two prints sewn to each other are told by their colours: which come on one side of a line only?

A print's figures make lines, too, but its ground and its figures come again beyond each of them. So each side is taken
as six patches, near the line and far, and along it three: of two fabrics no patch is as like one beyond the line as
every two patches of the same side are like each other. And where one ends and the other begins is told by all
of a piece, not by what meets at the seam: a row of dots beside it looks much the same.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.medians import median
from vision.seams.search import Cells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DEEP, ALONG = 2, 3  # patches on either side of a line
FEWEST, MOST, MOST_OF_SIDE = 25, 70, 300  # cells of a patch: fewer are part of one figure; more tell no more
CLEAR_MM = 1.0  # to either side of the line: it may run a little beside the seam, and the light across it is blurred
NOISES, TEXTURE = 2.0, 0.03  # colours as near as so many times the noise, or such a share of the light, are one
NOTHING = 0.05  # in common: of two fabrics, even where the patches of each are unlike
LITTLE = 0.25  # of their colours two fabrics may have in common, even by chance
PRINTED = 4.0  # such steps, root mean square, by which the colours of a print vary; weave and shade make fewer
SEEN, ROUNDS = 150, 2  # cells that tell a side's colours, and how often they are asked again beside a better line
TURNS_RAD, FARTHEST_MM = np.radians(np.arange(-6.0, 6.1, 0.25)), 4.0  # tried beside the line that the search saw
SURPRISE = 1e-3  # of the most usual colour: how rare one may be without saying more


def are_two_fabrics(cells: Cells, line_mat_mm: Floats) -> bool | None:
    """Whether both sides of a line (2, 2) are so unlike that they are no one print; None where few cells tell."""
    place = _beside(cells, line_mat_mm)
    which = list[Ints]()
    for away in (-place[0], place[0]):
        for depth in _parts(np.flatnonzero(away > CLEAR_MM), away, DEEP):
            which += [part[:: max(1, len(part) // MOST)] for part in _parts(depth, place[1], ALONG)]
    if min(len(patch) for patch in which) < FEWEST:
        return None
    colours, half = _colours(cells), DEEP * ALONG
    alike = likeness([colours[patch] for patch in which])
    within = min(float(one.min()) for one in (alike[:half, :half], alike[half:, half:]))
    return float(alike[:half, half:].max()) < max(within, NOTHING)


def in_common(cells: Cells, line_mat_mm: Floats) -> float:
    """How much of their colours all of one side of a line (2, 2) and all of the other have in common, 0 to 1."""
    away, colours = _beside(cells, line_mat_mm)[0], _colours(cells)
    sides = [np.flatnonzero(way * away > CLEAR_MM) for way in (-1.0, 1.0)]
    if min(len(side) for side in sides) < FEWEST:
        return 1.0
    return float(likeness([colours[side[:: max(1, len(side) // MOST_OF_SIDE)]] for side in sides])[0, 1])


def is_a_prints_own(cells: Cells, line_mat_mm: Floats) -> bool:
    """Whether a line (2, 2) is one of a print's figures, whose colours come again on both its sides.

    Plain cloth has no lines of its own; where two fabrics of it hardly differ, they have most colours in common.
    """
    if are_two_fabrics(cells, line_mat_mm) is not False or in_common(cells, line_mat_mm) < LITTLE:
        return False
    away, colours = _beside(cells, line_mat_mm)[0], _colours(cells)
    sides = [colours[way * away > CLEAR_MM] for way in (-1.0, 1.0)]
    return max(float(side.var(axis=0).sum()) for side in sides) > PRINTED**2


def parting_line(cells: Cells, line_mat_mm: Floats) -> Floats:
    """The line (2, 2) near another by which the colours of its two sides tell most cells' side.

    Each cell says how much likelier its colour is on one side than on the other; the line has most on their own side.
    """
    across, ahead = _beside(cells, line_mat_mm)
    middle, colours = float(ahead.mean()), _colours(cells)
    ahead, offset, slope = ahead - middle, 0.0, 0.0
    for _ in range(ROUNDS):
        away = across - offset - slope * ahead
        sides = [np.flatnonzero(way * away > CLEAR_MM) for way in (-1.0, 1.0)]
        if min(len(side) for side in sides) < 2:
            break
        left, right = (_density(colours, side[:: max(1, len(side) // SEEN)]) for side in sides)
        rare = SURPRISE * max(float(left.max()), float(right.max()))
        offset, slope = _likeliest(across, ahead, np.log((right + rare) / (left + rare)))
    along = _unit(line_mat_mm)
    left_way = np.array([-along[1], along[0]])
    at = line_mat_mm[0] + along * middle + left_way * offset
    return np.array([at, at + along + left_way * slope])


def _likeliest(across: Floats, ahead: Floats, says: Floats) -> tuple[float, float]:
    """Offset and slope of the line beyond which (`across` greater) cells' log odds `says` add to most."""
    best, offset, slope = -np.inf, 0.0, 0.0
    for tried in np.tan(TURNS_RAD):
        off = across - tried * ahead
        order = np.argsort(off)
        sorted_off = off[order]
        beyond = np.cumsum(says[order])
        gain = beyond[-1] - 2.0 * beyond[:-1]
        gain[np.abs(sorted_off[:-1]) > FARTHEST_MM] = -np.inf
        k = int(np.argmax(gain))
        if gain[k] > best:
            best, offset, slope = float(gain[k]), float(sorted_off[k] + sorted_off[k + 1]) / 2.0, float(tried)
    return offset, slope


def _beside(cells: Cells, line: Floats) -> tuple[Floats, Floats]:
    """(C,), (C,): where cells lie to the left of a line, and along it, in mm."""
    along, from_line = _unit(line), cells.places_mat_mm - line[0]
    return from_line @ np.array([-along[1], along[0]]), from_line @ along


def _unit(line: Floats) -> Floats:
    return np.asarray((line[1] - line[0]) / np.hypot(*(line[1] - line[0])))


def _colours(cells: Cells) -> Floats:
    """(C, 3): of each cell, in steps within which colours are one."""
    levels = cells.moments[:, 1:4] / cells.moments[:, :1]
    noise = cells.noise / math.sqrt(float(cells.moments[0, 0]))
    return np.asarray(levels / np.hypot(NOISES * noise, TEXTURE * float(median(levels[:, 0]))))


def _parts(which: Ints, by: Floats, count: int) -> list[Ints]:
    return np.array_split(which[np.argsort(by[which], kind="stable")], count)


def _density(colours: Floats, of: Ints) -> Floats:
    """(C,): how usual each of `colours` (C, 3) is among some of them, itself left out."""
    near = _near(colours, colours[of])
    near[of, np.arange(len(of))] = 0.0
    count = np.full(len(colours), float(len(of)))
    count[of] -= 1.0
    return np.asarray(near.sum(axis=1) / count)


def _near(some: Floats, others: Floats) -> Floats:
    """(N, M): the kernel of densities (M. Rosenblatt, Remarks on some nonparametric estimates of a density function,
    Annals of Mathematical Statistics 27, 1956, from memory), normal, one step wide.
    """
    squares = np.sum(some**2, axis=1)[:, None] + np.sum(others**2, axis=1) - 2.0 * some @ others.T
    return np.asarray(np.exp(-0.5 * np.maximum(squares, 0.0)))


def likeness(patches: list[Floats]) -> Floats:
    """(P, P): how much of their colours (n, 3) each two patches have in common, 0 to 1; with itself, 1.

    Twice the mean chance that a colour of either patch might as well be the other's.
    """
    counts = np.array([len(patch) for patch in patches])
    of, starts = np.repeat(np.arange(len(patches)), counts), np.cumsum(counts) - counts
    near = _near(np.vstack(patches), np.vstack(patches))
    np.fill_diagonal(near, 0.0)  # no colour speaks for itself
    density = np.add.reduceat(near, starts, axis=1) / counts
    own = (density[np.arange(len(of)), of] * counts[of] / (counts[of] - 1.0))[:, None]
    shared = np.add.reduceat(2.0 * density / (density + own + 1e-12), starts) / counts[:, None]
    both = np.minimum((shared + shared.T) / 2.0, 1.0)
    np.fill_diagonal(both, 1.0)
    return np.asarray(both)
