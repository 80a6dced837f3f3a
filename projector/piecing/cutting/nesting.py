"""Patches that no straight cuts across a strip give, nested along it: the way to lie that takes the least cloth.

Every second patch of the row is a mate of the first: turned by half a turn about a place c / 2 (it then covers c - P),
or moved by c. It may lie beside the first or, at most a patch's height above or below, in a second row. Nothing is
turned over. With convex P the mate is clear of it just where c is outside the no-fit polygon: 2 P = P + P for a turned
mate, the difference body P - P for a moved one (Minkowski; both convex). So at the mate's rise over P

    pitch = the larger of P's longest level chord and the no-fit polygon's chord at that height,
    strip = P's height + |rise|,

and with a turned mate the rows of the densest double lattice of a convex body (Kuperberg and Kuperberg 1990) are among
them: there the chord at c / 2 is half the longest. The chord is linear between the no-fit polygon's corners; hence at a
fixed turn of the patch only their heights matter, and those at which a pitch or a count is just reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPoint

from projector.piecing.patchwork.patches import area_mm2

Floats = NDArray[np.float64]

TURNS = 90  # of the coarse search, in half a turn; edges lying level come on top
FINE_ROUNDS, FINE_TURNS, FINALISTS = 3, 7, 3
HEIGHTS = 48  # tried in all: flush, the no-fit polygon's corners, and between them
FINER, FINER_ROUNDS = 32, 4  # steps in which a mate is lowered
MOST_CORNERS = 64  # of a hull; a finer one is nested as the polygon of so many tangents about it
WRITTEN_MM = 1e-5  # more than a plan file rounds off
HAIR = 1e-9  # granted, so that a strip of just the right length is not refused for rounding


@dataclass(frozen=True, eq=False, slots=True)
class Nest:
    """A row along a strip `strip_mm` wide: the first patches, as they lie, and how far the next ones follow."""

    strip_mm: float
    cycle_mm: tuple[Floats, ...]  # (N, 2) each; they begin at x = 0 and lie between y = 0 and the strip's width
    pitch_mm: float  # from one cycle to the next

    def per_strip(self, length_mm: float) -> int:
        """How many whole patches lie on a strip of that length."""
        count, ends = 0, [float(patch[:, 0].max()) for patch in self.cycle_mm]
        for end in ends:
            if end <= length_mm + HAIR:
                count += 1 + math.floor((length_mm - end) / self.pitch_mm + HAIR)
        return count

    def row_mm(self, n: int) -> list[Floats]:
        """The first n patches (N, 2) of a row, in the order in which they end along it."""
        rounds = range(n // len(self.cycle_mm) + 2)
        row = [patch + np.array([k * self.pitch_mm, 0.0]) for k in rounds for patch in self.cycle_mm]
        return sorted(row, key=lambda patch: float(patch[:, 0].max()))[:n]


@dataclass(frozen=True, eq=False, slots=True)
class Rows:
    """All rows of T turns of a patch with K rises of its mate each."""

    tall_mm: Floats  # (T,) of the patch as it lies
    wide_mm: Floats  # (T,)
    own_mm: Floats  # (T,) its longest level chord: the least pitch of its own kind
    rise_mm: Floats  # (T, K) of the mate's box over the patch's
    right_mm: Floats  # (T, K) right end of the no-fit polygon's chord at that rise
    chord_mm: Floats  # (T, K) its length, 0 where there is none

    @property
    def strip_mm(self) -> Floats:
        """(T, K)"""
        return np.asarray(self.tall_mm[:, None] + np.abs(self.rise_mm))

    @property
    def pitch_mm(self) -> Floats:
        """(T, K)"""
        return np.maximum(self.own_mm[:, None], self.chord_mm)

    @property
    def lag_mm(self) -> Floats:
        """(T, K): how far the mate's box begins behind the patch's, negative if before it; as little as can be."""
        pitch = self.pitch_mm
        least = self.right_mm - pitch * np.ceil(self.right_mm / pitch - HAIR)  # within the pitch before the patch
        before = np.minimum(0.0, least + pitch - self.chord_mm)
        return np.asarray(np.where(-before <= least + pitch, before, least + pitch))

    def at(self, no_fit_mm: Floats, rise_mm: Floats) -> Rows:
        """The same patches with no-fit polygons (T, M, 2) and other rises."""
        left, right = row_chords(no_fit_mm, rise_mm)
        there = right >= left
        chord = np.where(there, right - np.where(there, left, 0.0), 0.0)
        return Rows(self.tall_mm, self.wide_mm, self.own_mm, rise_mm, np.where(there, right, 0.0), chord)

    def counts(self, length_mm: float) -> NDArray[np.int64]:
        """(T, K) patches on a strip of that length."""
        room, pitch = length_mm - self.wide_mm[:, None], self.pitch_mm
        own = np.floor(room / pitch + HAIR) + 1.0
        mates = np.floor((room - np.abs(self.lag_mm)) / pitch + HAIR) + 1.0
        return (np.maximum(own, 0.0) + np.maximum(mates, 0.0)).astype(np.int64)


def nested(raw_mm: Floats, length_mm: float, grain_rad: float | None = None, make: int | None = None) -> Nest:
    """The nest of a raw patch (N, 2) that takes the least cloth on strips of a usable length.

    Of a patch with a grain (in its own frame) only the turn is tried at which that lies across the strip. With `make`,
    whole strips are counted for so many, else cloth per patch. Hollows are not used: its convex hull is nested.
    """
    hull = _hull(raw_mm)
    if grain_rad is not None:
        found = _best(hull, np.array([math.pi / 2.0 - grain_rad]), length_mm, make, FINER_ROUNDS)
    else:
        level = np.arctan2(*(np.roll(hull, -1, axis=0) - hull).T[::-1])
        step = math.pi / max(TURNS - len(hull), 1)
        turns = np.unique(np.concatenate([-level % math.pi, np.arange(0.0, math.pi, step)]))
        found = _best(hull, turns, length_mm, make, 0)[:FINALISTS]
        for _ in range(FINE_ROUNDS):
            near = np.linspace(-step, step, FINE_TURNS)
            turns = np.concatenate([one[1] + near for one in found[:FINALISTS]])
            found = sorted([*found, *_best(hull, turns, length_mm, make, FINER_ROUNDS)], key=lambda one: one[0])
            step *= 2.0 / FINE_TURNS
    _, turn, is_turned, rise = found[0]
    return _laid(raw_mm @ _turning(turn), hull @ _turning(turn), is_turned, rise)


def lying_nest(lying_mm: Floats, strip_mm: float, count: int) -> Nest:
    """The nest of a patch that lies on its strip as given (N, 2): of those the strip is wide enough for, the one in
    which `count` patches reach least far."""
    hull = _hull(lying_mm)
    rise = max(strip_mm - float(np.ptp(hull[:, 1])), 0.0)
    # Where an edge lies all but level, a pitch hangs on the last digit of what was written: a hair more is granted.
    rises = [side * (rise + more) for more in (0.0, WRITTEN_MM) for side in (1.0, -1.0)]
    nests = [_laid(lying_mm, hull, turned, one) for turned in (True, False) for one in rises]
    return min(nests, key=lambda nest: round(max(float(one[:, 0].max()) for one in nest.row_mm(count)), 4))


def row_chords(corners_mm: Floats, heights_mm: Floats) -> tuple[Floats, Floats]:
    """Left and right end (T, K) of the level chords of T convex polygons (T, N, 2) at K heights each, (T, K).

    Infinite, left of right, where a height misses a polygon.
    """
    start, end = corners_mm[:, None], np.roll(corners_mm, -1, axis=1)[:, None]  # (T, 1, N, 2)
    over, rises = heights_mm[..., None] - start[..., 1], end[..., 1] - start[..., 1]
    inside = (over >= np.minimum(rises, 0.0)) & (over <= np.maximum(rises, 0.0))
    share = over / np.where(rises == 0.0, 1.0, rises)
    x = start[..., 0] + share * (end[..., 0] - start[..., 0])
    return np.where(inside, x, math.inf).min(axis=-1), np.where(inside, x, -math.inf).max(axis=-1)


def no_fit(corners_mm: Floats, turned: bool) -> Floats:
    """(M, 2): how the box of a mate lies by that of a convex patch (N, 2) when the two touch; counter-clockwise.

    At places inside, they overlap.
    """
    if turned:
        return _centred(2.0 * corners_mm)
    sides = np.roll(corners_mm, -1, axis=0) - corners_mm
    both = np.concatenate([sides, -sides])  # of P and -P; in order of direction they bound P - P
    return _centred(np.cumsum(both[np.argsort(np.arctan2(both[:, 1], both[:, 0]), kind="stable")], axis=0))


def rows_of(lying_mm: Floats, no_fit_mm: Floats, rise_mm: Floats) -> Rows:
    """Rows of T turned patches (T, N, 2) with their no-fit polygons (T, M, 2) at rises (T, K)."""
    wide, tall = np.ptp(lying_mm, axis=1).T
    own_left, own_right = row_chords(lying_mm, lying_mm[..., 1])  # the longest is at a corner's height
    nothing = np.empty((len(lying_mm), 0))
    rows = Rows(tall, wide, (own_right - own_left).max(axis=1), nothing, nothing, nothing)
    return rows.at(no_fit_mm, rise_mm)


# -- the search -------------------------------------------------------------------------------------------------------

Found = tuple[tuple[float, float], float, bool, float]  # cost and strip; turn; whether the mate is turned; its rise


def _best(hull: Floats, turns_rad: Floats, length_mm: float, make: int | None, rounds: int) -> list[Found]:
    """The best row for each of some turns, best first; in so many `rounds` its mate is lowered as far as can be."""
    spin = np.stack([_turning(turn) for turn in turns_rad])
    lying, every = hull @ spin, np.arange(len(turns_rad))
    found: list[Found] = []
    for turned in (True, False):
        body = _centred(no_fit(hull, turned) @ spin)
        rise = _heights(body, np.ptp(lying[..., 1], axis=1))
        rows = rows_of(lying, body, rise)
        rows = rows.at(body, np.concatenate([rise, _just_free(rows)], axis=1))
        column = np.argmin(_cost(rows, length_mm, make), axis=1)
        rise, counts = rows.rise_mm[every, column], rows.counts(length_mm)[every, column]
        rise = _least_rise(rows, body, rise, counts, length_mm, make, rounds)
        rows = rows.at(body, rise[:, None])
        costs, strips = _cost(rows, length_mm, make)[:, 0], rows.strip_mm[:, 0]
        found += [((float(costs[k]), float(strips[k])), float(turns_rad[k]), turned, float(rise[k])) for k in every]
    return sorted(found, key=lambda one: one[0])


def _cost(rows: Rows, length_mm: float, make: int | None) -> Floats:
    """(T, K) how wide the strips for all patches are together, or a strip's width for each of its patches."""
    counts = rows.counts(length_mm)
    some = np.maximum(counts, 1)
    strips = 1.0 / some if make is None else np.ceil(make / some)
    return np.where(counts > 0, rows.strip_mm * strips, math.inf)


def _heights(body: Floats, tall: Floats) -> Floats:
    """(T, K) rises worth trying, in order: flush, at the corners of no-fit polygons (T, M, 2), some between."""
    ends = np.stack([np.zeros_like(tall), tall, -tall], axis=1)
    corners = np.clip(np.concatenate([body[..., 1], ends], axis=1), -tall[:, None], tall[:, None])
    corners = np.sort(corners, axis=1)
    parts = math.ceil(HEIGHTS / corners.shape[1])
    between = corners[:, :-1, None] + np.diff(corners, axis=1)[..., None] * (np.arange(parts) / parts)
    return np.concatenate([between.reshape(len(body), -1), corners[:, -1:]], axis=1)


def _just_free(rows: Rows) -> Floats:
    """(T, 2) the least rises up and down at which the chord of the mate is no longer than the patch's own.

    The chord is linear between the rises of `rows`.
    """
    every, last = np.arange(len(rows.own_mm)), rows.rise_mm.shape[1] - 1
    ends = []
    for side in (1, -1):
        away = side * rows.rise_mm
        free = (rows.chord_mm <= rows.own_mm[:, None]) & (away >= 0.0)
        k = np.argmin(np.where(free, away, math.inf), axis=1)
        before = np.clip(k - side, 0, last)
        here, there = rows.chord_mm[every, k], rows.chord_mm[every, before]
        share = np.where(there > here, (rows.own_mm - here) / np.where(there > here, there - here, 1.0), 0.0)
        at = rows.rise_mm[every, k]
        ends.append(at + np.clip(share, 0.0, 1.0) * (rows.rise_mm[every, before] - at))
    return np.stack(ends, axis=1)


def _least_rise(
    rows: Rows,
    body: Floats,
    rise: Floats,
    counts: NDArray[np.int64],
    length_mm: float,
    make: int | None,
    rounds: int,
) -> Floats:
    """(T,) how far each rise can be lowered toward flush so that no more strips are needed."""
    some = np.maximum(counts, 1)
    need = some if make is None else -(-make // -(-make // some))
    good, bad, every = rise, np.zeros_like(rise), np.arange(len(rise))
    for _ in range(rounds):
        tried = bad[:, None] + (good - bad)[:, None] * (np.arange(FINER + 1) / FINER)
        tried[:, -1] = good
        first = np.argmax(rows.at(body, tried).counts(length_mm) >= need[:, None], axis=1)
        good, bad = tried[every, first], tried[every, np.maximum(first - 1, 0)]
    return good


def _laid(lying_mm: Floats, hull: Floats, turned: bool, rise_mm: float) -> Nest:
    """The nest of a patch as it lies, given its mate."""
    low, high = hull.min(axis=0), hull.max(axis=0)
    rows = rows_of(hull[None], no_fit(hull, turned)[None], np.array([[rise_mm]]))
    lag = np.array([float(rows.lag_mm[0, 0]), rise_mm])
    mate = low + high - lying_mm if turned else lying_mm
    start = low + np.minimum(lag, 0.0)
    return Nest(
        float(high[1] - low[1]) + abs(rise_mm), (lying_mm - start, mate + lag - start), float(rows.pitch_mm[0, 0])
    )


def _hull(corners_mm: Floats) -> Floats:
    """(N, 2): the corners of the convex hull, counter-clockwise; of a fine one, of tangents about it."""
    ring = np.array(MultiPoint(corners_mm).convex_hull.exterior.coords)[:-1]  # type: ignore[attr-defined]
    ring = ring if area_mm2(ring) > 0.0 else ring[::-1]
    if len(ring) <= MOST_CORNERS:
        return ring
    turns = np.arange(MOST_CORNERS) * 2.0 * math.pi / MOST_CORNERS
    normal = np.column_stack([np.cos(turns), np.sin(turns)])
    far = (normal @ ring.T).max(axis=1)
    after = np.roll(normal, -1, axis=0)
    sine = math.sin(2.0 * math.pi / MOST_CORNERS)
    x = (far * after[:, 1] - np.roll(far, -1) * normal[:, 1]) / sine
    y = (np.roll(far, -1) * normal[:, 0] - far * after[:, 0]) / sine
    return np.column_stack([x, y])


def _centred(corners: Floats) -> Floats:
    """(..., N, 2) with the middle of its box at the origin."""
    return np.asarray(corners - (corners.min(axis=-2, keepdims=True) + corners.max(axis=-2, keepdims=True)) / 2.0)


def _turning(turn_rad: float) -> Floats:
    """(2, 2): rows of points times this turn counter-clockwise."""
    cosine, sine = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[cosine, sine], [-sine, cosine]])
