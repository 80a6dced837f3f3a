"""Another person at the virtual table: spreads units of a pile, or feeds them one by one, and is clumsy at it.

It hears what the app says and sees nothing of its numbers but where a verdict stands. What it does next it decides
after a verdict, or when none comes. What has none it lays again, a few times, before it takes it away. Every unit that
was laid flat, by itself and whole on the mat is noted in the ledger once, when it is taken away.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from projector.rehearsal.bench import Bench, Lying, Reach
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.person.places import RIM_MM, SEEN_PX
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import Patch, Piece, Pose
from projector.rehearsal.things.sizes import MAT_MM

Floats = NDArray[np.float64]
Action = Generator[float, None, None]
Event = Mapping[str, Any]
Prank = Literal[
    "none", "nudge", "slide", "shuffle", "touching", "overlapping", "linger", "half_off", "turned", "wave", "again"
]

NOT_SO = ("turned_over", "other")  # verdicts that ask for the unit to be laid another way

REACH_S, LINGER_S = 0.4, 2.5  # the hand is in the picture for so long
THINKS_S = (0.15, 0.35)
FETCHES_S = (0.5, 1.0)  # no hand is in the picture meanwhile, as the README asks: the pile lies beside the mat
PATIENCE_S = 6.0  # without a word for so long it goes on
LOOK_S = 0.1
APART_MM = 12.0  # between units that are laid not touching
TRIES, SPREADS = 100, 3
AGAIN = 3  # times that a unit without a verdict is laid again
SAME_MM = 10.0  # from the middle of a cloth to the middle of the outline that a verdict was told of
ASKEW_RAD, ROWS_SHARE = 0.05, 1.08  # of units laid in rows, and the room that being askew takes


@dataclass(frozen=True, eq=False, slots=True)
class PileToFeed:
    """What there is to be judged: units of one shape, all a little different, and how clumsily they are laid."""

    corners_mm: Floats  # (N, 2) convex, counter-clockwise
    count: int
    at_once: tuple[int, ...] = (1,)  # a lot has one of these sizes
    sd_mm: float = 0.15  # of each corner
    fabrics: tuple[str, ...] = ("cream", "navy", "red", "sky")
    clumsy: Mapping[Prank, float] = field(default_factory=dict)  # how probable each prank is, a lot
    rounds: int = 1  # times that all units are fed, always in the same order
    turned_rad: float = np.pi  # at most, from one way round to another

    @property
    def feeds(self) -> int:
        return self.count * self.rounds


class Feeder:
    """One pair of hands with a pile. Drive it with `hears` and `advance`, as the person who cuts."""

    def __init__(self, bench: Bench, setting: Setting, pile: PileToFeed, ledger: Ledger, seed: int) -> None:
        self._bench, self.setting, self._pile, self._ledger = bench, setting, pile, ledger
        self._rng = np.random.default_rng([seed, 10])
        self._made = 0  # units taken from the pile
        self._units: list[Piece] = []  # of the pile, as they were cut
        self._wake_s = 0.0
        self._action: Action | None = None
        self._heard = 0  # verdicts and refusals
        self._judged_mat_mm: list[Floats] = []  # (2,) middles of what has a verdict, since the lot was laid
        self._there: list[Piece] = []
        self._said = False  # that the pile is at its end

    @property
    def busy(self) -> bool:
        return self._action is not None

    def hears(self, event: Event, t_s: float) -> None:
        """Begin when units are asked for; a verdict, or a unit that is refused, is what is waited for."""
        if event.get("event") == "unit" or (event.get("event"), event.get("what")) == ("refused", "unit"):
            self._heard += 1
        if event.get("event") == "unit" and event["verdict"] not in NOT_SO:
            self._judged_mat_mm.append(np.array(event["outline_mat_mm"]).mean(axis=0))
        if (event.get("event"), event.get("what")) == ("ask", "unit") and self._action is None and not self._made:
            self._wake_s, self._action = t_s + 0.3, self._feeds()

    def advance(self, t_s: float) -> None:
        while self._action is not None and self._wake_s <= t_s:
            try:
                self._wake_s += next(self._action)
            except StopIteration:
                self._action = None

    def keys(self) -> list[str]:
        """When the pile is done it says so by the key that ends it."""
        if self._action is not None or self._made < self._pile.feeds or self._said:
            return []
        self._said = True
        return ["q"]

    def _feeds(self) -> Action:
        while self._made < self._pile.feeds:
            size = min(int(self._rng.choice(self._pile.at_once)), self._pile.feeds - self._made)
            lot = [self._next() for _ in range(size)]
            yield from self._lot(lot, self._prank())
            yield from self._visit(self._there[0].corners_mat_mm.mean(axis=0), [])
            for piece in lot:
                self._ledger.unit(self._wake_s, "fed", piece)
            yield float(self._rng.uniform(*FETCHES_S))
        yield PATIENCE_S

    def _lot(self, lot: list[Piece], prank: Prank) -> Action:
        """Lay a lot in one visit, wait for the verdicts, and between them do what a clumsy person does."""
        good, self._judged_mat_mm = self._spread(lot), []
        first = dict(enumerate(good))
        if prank == "half_off":
            first[0] = self._half_off(good[0])
        elif prank == "turned":
            first[0] = _turned_over(good[0])
        elif prank in ("touching", "overlapping") and len(good) > 1:
            first[1] = _against(good[0], good[1], 0.0 if prank == "touching" else 15.0)
        yield from self._visit(good[0].corners_mat_mm.mean(axis=0), list(first.values()), prank == "linger")
        yield from self._waits(len(lot))
        if prank in ("half_off", "turned", "touching", "overlapping"):
            yield from self._visit(good[0].corners_mat_mm.mean(axis=0), good)
            yield from self._waits(1)
        yield from self._lays_again()
        good = self._there
        if prank == "nudge":
            yield from self._visit(good[0].corners_mat_mm.mean(axis=0), [self._nudged(good[0]), *good[1:]])
            yield from self._waits(0)
        elif prank == "slide":
            yield from self._visit(good[0].corners_mat_mm.mean(axis=0), self._spread(good[:1], good[1:]) + good[1:])
            yield from self._waits(0)
        elif prank == "shuffle":
            yield from self._visit(good[0].corners_mat_mm.mean(axis=0), self._spread(good))
            yield from self._waits(0)
        elif prank == "wave":
            yield from self._visit(np.array(MAT_MM) / 2, list(self._there))
            yield from self._waits(0)
        elif prank == "again":  # some are taken away, and more of the pile laid to the others
            more = [self._next() for _ in range(min(2, self._pile.feeds - self._made))]
            lot += more
            yield from self._visit(good[0].corners_mat_mm.mean(axis=0), [*good, *self._spread(more, good)])
            yield from self._waits(len(more))
            yield from self._lays_again()

    def _lays_again(self) -> Action:
        """What has no verdict is laid elsewhere, clear of the others, as the signs on it ask."""
        for _ in range(AGAIN):
            there = self._there
            unjudged = [k for k, piece in enumerate(there) if not self._has_verdict(piece)]
            if not unjudged:
                return
            laid = list(there)
            for k in unjudged:
                laid[k] = self._place(there[k], laid[:k] + laid[k + 1 :]) or there[k]
            yield from self._visit(laid[unjudged[0]].corners_mat_mm.mean(axis=0), laid)
            yield from self._waits(len(unjudged))

    def _has_verdict(self, piece: Piece) -> bool:
        middle = piece.corners_mat_mm.mean(axis=0)
        return any(float(np.hypot(*(middle - told))) < SAME_MM for told in self._judged_mat_mm)

    def _waits(self, verdicts: int) -> Action:
        """For so many, or until patience ends; with none to come it looks on for a while."""
        since, before = self._wake_s, self._heard
        longest_s = PATIENCE_S if verdicts else float(self._rng.uniform(0.2, 3.0))
        while self._wake_s - since < longest_s and (not verdicts or self._heard - before < verdicts):
            yield LOOK_S
        yield float(self._rng.uniform(*THINKS_S))

    def _visit(self, to_mat_mm: Floats, pieces: list[Piece], lingers: bool = False) -> Action:
        """A hand goes in, and when it goes out again these lie there."""
        stays_s = LINGER_S if lingers else REACH_S
        self._bench.reach(Reach(self._wake_s, self._wake_s + stays_s, (float(to_mat_mm[0]), float(to_mat_mm[1]))))
        yield REACH_S / 2
        self._there = pieces
        self._bench.lay(Lying(tuple(pieces)), self._wake_s)
        yield stays_s - REACH_S / 2

    def _prank(self) -> Prank:
        names = list(self._pile.clumsy)
        chances = np.array([self._pile.clumsy[name] for name in names])
        return self._rng.choice(["none", *names], p=[1.0 - chances.sum(), *chances])  # type: ignore[no-any-return]

    def _next(self) -> Piece:
        """The next unit of the pile, as it was cut."""
        self._made += 1
        if self._made > self._pile.count:
            return self._units[(self._made - 1) % self._pile.count]
        corners = self._pile.corners_mm - self._pile.corners_mm.mean(axis=0)
        corners = corners + self._rng.normal(0.0, self._pile.sd_mm, corners.shape)
        sides = tuple(f"side {k}" for k in range(len(corners)))
        fabric = str(self._rng.choice(self._pile.fabrics))
        unit = Piece("fed", corners, sides, (Patch(corners, fabric),), np.empty((0, 2, 2)))
        self._units.append(unit)
        return unit

    def _spread(self, units: Sequence[Piece], beside: Sequence[Piece] = ()) -> list[Piece]:
        """Anywhere on the mat, lit and seen, not touching; where that gets too full, all in rows."""
        for _ in range(SPREADS):
            laid: list[Piece] = []
            for unit in units:
                place = self._place(unit, [*beside, *laid])
                if place is None:
                    break
                laid.append(place)
            if len(laid) == len(units):
                return laid
        return self._in_rows(units)

    def _in_rows(self, units: Sequence[Piece]) -> list[Piece]:
        """Side by side, each a little askew. Raises ValueError where the mat does not hold them."""
        wide = float(np.ptp(self._pile.corners_mm, axis=0).max()) * ROWS_SHARE + APART_MM
        columns, rows = (int((size - 4 * RIM_MM) // wide) for size in MAT_MM)
        if columns * rows < len(units):
            raise ValueError(f"the mat does not hold {len(units)} of these units; lay fewer at once")
        laid = []
        for k, unit in enumerate(units):
            at = (np.array([k % columns, k // columns]) - [(columns - 1) / 2, (rows - 1) / 2]) * wide
            x, y = np.array(MAT_MM) / 2 + at
            turn = self._rng.uniform(-ASKEW_RAD, ASKEW_RAD) + np.pi / 2 * self._rng.integers(4)
            laid.append(unit.moved(Pose(float(x), float(y), float(turn))))
        return laid

    def _place(self, unit: Piece, others: Sequence[Piece]) -> Piece | None:
        taken = [Polygon(other.corners_mat_mm).buffer(APART_MM) for other in others]
        for _ in range(TRIES):
            x, y = self._rng.uniform(0.0, MAT_MM)
            most = self._pile.turned_rad
            placed = unit.moved(Pose(float(x), float(y), float(self._rng.uniform(-most, most))))
            corners = placed.corners_mat_mm
            on_mat = bool(np.all((corners > RIM_MM) & (corners < np.array(MAT_MM) - RIM_MM)))
            devices = (self.setting.camera, self.setting.projector)
            seen = on_mat and all(one.holds(corners, unit.thickness_mm, 2 * SEEN_PX) for one in devices)
            if seen and all(Polygon(corners).disjoint(other) for other in taken):
                return placed
        return None

    def _nudged(self, unit: Piece) -> Piece:
        """Pushed a little with a finger."""
        pose, (dx, dy) = unit.pose, self._rng.normal(0.0, 4.0, 2)
        turn = float(self._rng.normal(0.0, 0.05))
        return unit.moved(Pose(pose.x_mm + float(dx), pose.y_mm + float(dy), pose.turn_rad + turn))

    def _half_off(self, unit: Piece) -> Piece:
        """Dropped over the mat's near or far edge."""
        y = float(self._rng.choice([0.0, MAT_MM[1]]))
        return unit.moved(replace(unit.pose, y_mm=y))


def _against(one: Piece, other: Piece, over_mm: float) -> Piece:
    """The other laid with its side 0 along side 1 of the first, or that far over it."""
    start, end = one.corners_mat_mm[1], one.corners_mat_mm[2]
    along = (end - start) / np.hypot(*(end - start))
    own = other.corners_mm[1] - other.corners_mm[0]
    turn = float(np.arctan2(*along[::-1]) - np.arctan2(*own[::-1]) + np.pi)
    outward = np.array([along[1], -along[0]])
    middle = Pose(0.0, 0.0, turn).rotation @ (other.corners_mm[0] + other.corners_mm[1]) / 2.0
    x, y = (start + end) / 2.0 - middle - over_mm * outward
    return other.moved(Pose(float(x), float(y), turn))


def _turned_over(unit: Piece) -> Piece:
    """The other side up, where it lies."""
    mirrored = unit.corners_mm[::-1] * [-1.0, 1.0]
    patches = tuple(replace(patch, corners_mm=patch.corners_mm[::-1] * [-1.0, 1.0]) for patch in unit.patches)
    return replace(unit, corners_mm=mirrored, patches=patches)
