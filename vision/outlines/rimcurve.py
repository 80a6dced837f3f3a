"""Locate a curved rim to a few hundredths of a pixel: short pieces of it, each fitted like a straight side.

The rim is walked in chains from corner to corner; a smooth shape is one closed chain. Each piece's fit says where the
rim lies on the mean over the piece; an arc's middle stands out of that mean by a third of its height above the chord
ends' line (the mean of 1/3 - t^2 over -1..1 is nought), and how much it bends there its neighbours' directions tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common
from vision.edge.picture import Picture
from vision.edge.sidefits import SideFit
from vision.edge.sides import Reach, SideStart, fit_sides
from vision.polygons import line_meeting

Floats = NDArray[np.float64]

PIECE_PX = (8.0, 24.0)  # at least what a fit needs, at most what is about straight
FEWEST_PIECES, MOST_PIECES = 16, 120
CORNER_PX = 7.0  # to either side of a place the directions that make a corner of it
CORNER_RAD = math.radians(32.0)  # the turn there, beyond that of the curve beside it
LEAST_CORNER_RAD = math.radians(15.0)  # between the arcs that meet there
AT_CORNER_PX = 6.0  # of a chain's end left out, where the mask's corner is rounded and the other edge is near
MOST_MOVED_PX = 4.0
FOUND = 0.6  # of a chain's pieces must show an edge
NO_TRIM = (0.0, 0.0)
ROUGH, FINE = Reach(5.0, 6.5, 6), Reach(3.5, 5.0, 4)
PLACE_U_PX = 0.02  # of a neighbour's place
BOW_U_PX = 0.2  # of a chain's last piece, which has one neighbour only: less sure, it is taken as straight


@dataclass(frozen=True, eq=False, slots=True)
class RimPiece:
    """A short piece of the rim: its middle on the curve, direction and doubt."""

    place_mat_mm: Floats  # (2,)
    along: Floats  # (2,) unit vector, cloth on its left
    length_mm: float
    fit: SideFit


def rim_chains(contour_mat_mm: Floats, px_per_mm: float) -> list[Floats]:
    """Cut a counter-clockwise contour (N, 2) at its corners: chains of places about 1 px apart, smooth within.

    Without corners the one chain closes on itself, its last place the first.
    """
    rim = _evenly(np.vstack([contour_mat_mm, contour_mat_mm[:1]]), 1.0 / px_per_mm)[:-1]
    corners = _corners(rim)
    if not corners:
        return [_smoothed(np.vstack([rim, rim[:1]]), closed=True)]
    chains = []
    for start, end in zip(corners, [*corners[1:], corners[0] + len(rim)], strict=True):
        chains.append(_smoothed(rim[np.arange(start, end + 1) % len(rim)], closed=False))
    return chains


def _evenly(line: Floats, step: float) -> Floats:
    """Places (M, 2) along a line (N, 2), both ends among them, about `step` apart."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    places = np.linspace(0.0, way[-1], max(2, round(way[-1] / step)) + 1)
    return np.column_stack([np.interp(places, way, line[:, k]) for k in (0, 1)])


def _corners(rim: Floats) -> list[int]:
    """Where a closed rim, 1 px a step, turns far more than beside there."""
    reach = round(CORNER_PX)
    rim = _smoothed(np.vstack([rim, rim[:1]]), closed=True)[:-1]  # a pixel's step is no corner
    ahead, back = np.roll(rim, -reach, axis=0) - rim, rim - np.roll(rim, reach, axis=0)
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1))
    beside = np.minimum(np.abs(np.roll(turn, 3 * reach)), np.abs(np.roll(turn, -3 * reach)))
    sharp = np.abs(turn) - beside
    around = np.stack([np.roll(sharp, k) for k in range(-2 * reach, 2 * reach + 1)])
    peaks = np.flatnonzero((sharp > CORNER_RAD) & (sharp >= around.max(axis=0)))
    return [int(peak) for k, peak in enumerate(peaks) if k == 0 or peak - peaks[k - 1] > reach]


def _smoothed(chain: Floats, closed: bool) -> Floats:
    """A chain of pixels' steps made smooth over some 3 px; an open one keeps its ends."""
    if len(chain) < 20:
        return chain
    kernel = np.exp(-0.5 * (np.arange(-9, 10) / 3.0) ** 2)
    kernel /= kernel.sum()
    if closed:
        padded = np.vstack([chain[-10:-1], chain, chain[1:10]])
    else:  # mirrored through the ends, so that these stay
        padded = np.vstack([2 * chain[0] - chain[9:0:-1], chain, 2 * chain[-1] - chain[-2:-11:-1]])
    return np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)])


def fit_chains(picture: Picture, chains: Sequence[Floats], cloth: int) -> tuple[list[list[RimPiece]], Common] | None:
    """Fit the pieces of all chains of the picture's cloth of this number, twice; and what is common to them.

    None where the picture shows no edge.
    """
    walks = [_Walk.along(chain) for chain in chains]
    for reaches in ((ROUGH,), (FINE, FINE)):
        chords = [list(_chords(walk.chain, walk.trim_mm, walk.count)) for walk in walks]
        starts = [SideStart(ends, NO_TRIM, cloth) for own in chords for ends in own]
        fitted = fit_sides(picture, starts, reaches)
        fits, found = iter(fitted.fits), list[list[RimPiece]]()
        for walk, own in zip(walks, chords, strict=True):
            pieces = [piece for ends in own if (piece := _piece(next(fits), ends, walk.px_per_mm)) is not None]
            if len(pieces) < max(2, FOUND * walk.count):
                return None
            found.append(_on_the_arc(pieces, walk.closed, float(fitted.common.values[0])))
        walks = [
            replace(walk, chain=_through(pieces, walk.closed, walk.chain))
            for walk, pieces in zip(walks, found, strict=True)
        ]
    return found, fitted.common


@dataclass(frozen=True, eq=False, slots=True)
class _Walk:
    """A chain and how it is cut into pieces."""

    chain: Floats
    closed: bool
    px_per_mm: float
    trim_mm: float
    count: int

    @staticmethod
    def along(chain: Floats) -> _Walk:
        length_mm = float(np.sum(np.hypot(*np.diff(chain, axis=0).T)))
        px_per_mm = (len(chain) - 1) / length_mm
        closed = bool(np.all(chain[0] == chain[-1]))
        trim_mm = 0.0 if closed else min(AT_CORNER_PX / px_per_mm, length_mm / 4.0)
        bend_px = length_mm * px_per_mm / max(_whole_turn(chain), 0.1)  # the chain's mean radius
        piece_px = float(np.clip(2.0 * math.sqrt(bend_px), *PIECE_PX))
        count = round((length_mm - 2.0 * trim_mm) * px_per_mm / piece_px)
        count = min(max(FEWEST_PIECES if closed else 2, count), MOST_PIECES)
        return _Walk(chain, closed, px_per_mm, trim_mm, count)


def _piece(fit: SideFit | None, ends: Floats, px_per_mm: float) -> RimPiece | None:
    if fit is None or not np.hypot(*(fit.middle_mat_mm - ends.mean(axis=0))) < MOST_MOVED_PX / px_per_mm:
        return None
    return RimPiece(fit.middle_mat_mm, fit.along, fit.length_mm, fit)


def _whole_turn(chain: Floats) -> float:
    """By how much a smooth chain turns from end to end, whichever way."""
    steps = np.diff(chain, axis=0)[::4]
    return float(np.sum(np.abs(np.diff(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))))))


def _chords(chain: Floats, trim_mm: float, count: int) -> Iterator[Floats]:
    """(2, 2) each: the ends of `count` pieces along a chain, without `trim_mm` at either end."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(chain, axis=0).T))])
    places = np.linspace(trim_mm, way[-1] - trim_mm, count + 1)
    ends = np.column_stack([np.interp(places, way, chain[:, k]) for k in (0, 1)])
    for k in range(count):
        yield ends[k : k + 2]


def _on_the_arc(pieces: list[RimPiece], closed: bool, blur_px: float) -> list[RimPiece]:
    """Each piece's place moved from its mean to the middle of its arc, its direction held against its neighbours'."""
    moved = []
    for k, piece in enumerate(pieces):
        inner = closed or 0 < k < len(pieces) - 1
        bend = _bend(piece, pieces[k - 1] if inner else None, pieces[(k + 1) % len(pieces)] if inner else None)
        outward = np.array([piece.along[1], -piece.along[0]])
        # A round edge behind a blur of standard deviation s seems s^2 / 2 R farther in than a straight one.
        blur_mm = blur_px / piece.fit.px_per_mm
        out_mm = bend.height_mm / 3.0 + 4.0 * bend.height_mm * (blur_mm / piece.length_mm) ** 2
        moved.append(RimPiece(piece.place_mat_mm + outward * out_mm, bend.along, piece.length_mm, piece.fit))
    return moved


@dataclass(frozen=True, eq=False, slots=True)
class _Bend:
    """How high a piece's arc rises above the line of its ends, and its direction in the middle."""

    height_mm: float
    along: Floats


def _bend(piece: RimPiece, before: RimPiece | None, after: RimPiece | None) -> _Bend:
    """From the piece's own fit, and from its neighbours as far as they agree how the rim bends."""
    own, variance = piece.fit.bow_mm, float(piece.fit.own_covariance[2, 2])
    if before is None or after is None:
        return _Bend(own if variance < (BOW_U_PX / piece.fit.px_per_mm) ** 2 else 0.0, piece.along)
    ways = np.array([piece.place_mat_mm - before.place_mat_mm, after.place_mat_mm - piece.place_mat_mm])
    gaps = np.hypot(*ways.T)
    bends = np.array([_turn(before.along, piece.along), _turn(piece.along, after.along)]) / gaps
    heights = bends * piece.length_mm**2 / 8.0
    floor = (PLACE_U_PX / piece.fit.px_per_mm) ** 2
    theirs = (heights[1] - heights[0]) ** 2 / 4.0 + floor
    height = float((heights.mean() / theirs + own / variance) / (1.0 / theirs + 1.0 / variance))
    # Where the bend changes, the line from neighbour to neighbour is turned by a quarter of the change's way.
    turned = (2.0 * (heights[1] - heights[0]) / piece.length_mm) ** 2 + floor / float(gaps.sum()) ** 2
    share = turned / (turned + float(piece.fit.own_covariance[1, 1]))
    turn = (1.0 - share) * _turn(piece.along, ways.sum(axis=0))
    c, s = math.cos(turn), math.sin(turn)
    return _Bend(height, np.array([[c, -s], [s, c]]) @ piece.along)


def _turn(one: Floats, other: Floats) -> float:
    """Angle from one unit vector to the other, counter-clockwise."""
    return math.atan2(float(one[0] * other[1] - one[1] * other[0]), float(one @ other))


def rim_line(chains: Sequence[Sequence[RimPiece]], parts: int) -> Floats:
    """The whole rim (M, 2), counter-clockwise, not closed: `parts` steps from piece to piece, and sharp corners.

    One chain closes on itself; several meet where the arcs at their ends, drawn on, cross.
    """
    if len(chains) == 1:
        return _line(chains[0], parts, closed=True)[:-1]
    lines = []
    for k, chain in enumerate(chains):
        corner, start, end = _meeting(chain, chains[(k + 1) % len(chains)])
        lines.append(_line(chain, parts, closed=False))
        lines.append(np.vstack([start, corner[None], end]))
    return np.vstack(lines)


def _line(pieces: Sequence[RimPiece], parts: int, closed: bool) -> Floats:
    chosen = [*pieces, pieces[0]] if closed else list(pieces)
    return hermite(np.array([one.place_mat_mm for one in chosen]), np.array([one.along for one in chosen]), parts)


def _meeting(one: Sequence[RimPiece], other: Sequence[RimPiece]) -> tuple[Floats, Floats, Floats]:
    """Where the end of one chain, drawn on as an arc, meets the drawn on start of the next; and both arcs' middles."""
    arcs = [_Arc.beyond(one[-1], one[-2], 1.0), _Arc.beyond(other[0], other[1], -1.0)]
    if abs(_turn(one[-1].along, other[0].along)) < LEAST_CORNER_RAD:  # the rim only looked like a corner there
        ends = [one[-1], other[0]]
        line = hermite(np.array([end.place_mat_mm for end in ends]), np.array([end.along for end in ends]), 4)
        return line[2], line[1:2], line[3:4]
    reach = [0.0, 0.0]
    corner = (arcs[0].at(0.0) + arcs[1].at(0.0)) / 2.0
    for _ in range(6):
        (a, u), (b, v) = ((arc.at(way), arc.along_at(way)) for arc, way in zip(arcs, reach, strict=True))
        meeting = line_meeting(a, a + u, b, b + v)
        if meeting is None:
            break
        corner = meeting
        reach = [reach[0] + float((corner - a) @ u), reach[1] + float((corner - b) @ v)]
    shares = np.array([0.25, 0.5, 0.75])
    start, end = (np.array([arc.at(way * share) for share in shares]) for arc, way in zip(arcs, reach, strict=True))
    gap = float(np.hypot(*(other[0].place_mat_mm - one[-1].place_mat_mm)))
    if max(abs(way) for way in reach) > 3.0 * gap:  # arcs that hardly meet: the straight way is no worse
        corner = (one[-1].place_mat_mm + other[0].place_mat_mm) / 2.0
        return corner, np.empty((0, 2)), np.empty((0, 2))
    return corner, start, end[::-1]


@dataclass(frozen=True, eq=False, slots=True)
class _Arc:
    """What leads on from a chain's end: a place, a direction away from the chain, and how it bends there."""

    place_mat_mm: Floats
    along: Floats
    bend: float  # rad a mm, to the left of `along`

    @staticmethod
    def beyond(last: RimPiece, before: RimPiece, sense: float) -> _Arc:
        gap = float(np.hypot(*(last.place_mat_mm - before.place_mat_mm)))
        way = (last.place_mat_mm - before.place_mat_mm) / gap
        # The way from place to place has the arc's direction half way; the piece's own is that at its place.
        bend = 2.0 * _turn(way, sense * last.along) / gap
        return _Arc(last.place_mat_mm, sense * last.along, bend)

    def at(self, way_mm: float) -> Floats:
        left = np.array([-self.along[1], self.along[0]])
        return np.asarray(self.place_mat_mm + self.along * way_mm + left * (0.5 * self.bend * way_mm**2))

    def along_at(self, way_mm: float) -> Floats:
        left = np.array([-self.along[1], self.along[0]])
        along = self.along + left * (self.bend * way_mm)
        return np.asarray(along / np.hypot(*along))


def _through(pieces: Sequence[RimPiece], closed: bool, chain: Floats) -> Floats:
    """A chain through the pieces' places, as fine as the one before; an open one ends where its last pieces lead."""
    step = float(np.hypot(*(chain[1] - chain[0])))
    line = _line(pieces, 8, closed)
    if closed:
        return _evenly(line, step)
    first, last = _Arc.beyond(pieces[0], pieces[1], -1.0), _Arc.beyond(pieces[-1], pieces[-2], 1.0)
    ends = [arc.at(float((end - arc.place_mat_mm) @ arc.along)) for arc, end in ((first, chain[0]), (last, chain[-1]))]
    return _evenly(np.vstack([ends[0], line, ends[1]]), step)


def hermite(places: Floats, along: Floats, parts: int) -> Floats:
    """A smooth line (M, 2) through places with these directions (N, 2): cubic Hermite pieces in `parts` each."""
    t = np.arange(parts)[:, None] / parts
    lines = []
    for a, b, u, v in zip(places[:-1], places[1:], along[:-1], along[1:], strict=True):
        gap = float(np.hypot(*(b - a)))
        lines.append(
            a * (2 * t**3 - 3 * t**2 + 1)
            + u * gap * (t**3 - 2 * t**2 + t)
            + b * (3 * t**2 - 2 * t**3)
            + v * gap * (t**3 - t**2)
        )
    return np.vstack([*lines, places[-1:]])
