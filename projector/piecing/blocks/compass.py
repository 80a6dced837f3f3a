"""Compass stars: 8, 16 or 32 points in two to four ranks, each rank between and behind the one before.

A point is a triangle that stands on the middle of the block: `width` wide there, its tip at `tip` from the middle. Of
each later rank there is one between any two neighbours of all ranks before, and they lie over it, so that it shows
from where its sides come out behind theirs (its shoulders). A disc, or a square, lies over the middle.

Seams are straight: a point's counter-clockwise side is led on past its tip to the rim of the block, and the ground on
its other side reaches round the tip up to that line. Between two neighbours A and B (B counter-clockwise of A) all is
one wedge: what lies between A and the point P behind both, sewn to P along P's clockwise side; what lies between P and
B, sewn on along P's other side, which now runs straight from its shoulder to the rim. The innermost wedges are ground
alone. Each point of the first rank gets the wedge clockwise of it, and these sectors are sewn together in pairs along
sides of the first rank from the rim to the disc. A square is sewn to the first sector, and turns each later one once.

The least centre. At the inner end of a patch, where the disc covers it, its two side seams are nearest to each other,
and the allowances that are pressed under it come from both sides. Each is a seam allowance s wide, so neither reaches
the other seam if the patch is at least s wide there (of a point that is split, each half). The ends are chords of the
disc's circle, those of the first rank and of the second by turns. The second's is narrower the smaller the disc: it is
s where the first rank's sides, at d = tip sin(a) from the middle and a = atan(width / 2 tip) from their axis, are s/2
from the second's axis, beta = 180 degrees / points of the first rank from theirs. In the frame of that axis this is at

    x = (d + s/2 cos(a + beta)) / sin(a + beta), y = s/2,   least radius = hypot(x, y).

Worked: 4 points of the first rank 152.4 mm long and 50.8 mm wide, s = 6.35 mm: a = 9.4623 deg, d = 25.0544 mm,
a + beta = 54.4623 deg, x = 33.0573 mm, least radius 33.2094 mm. The first rank's is narrower the larger the disc:
s at tip (1 - s/width) along its axis, which bounds the disc from above, as do the second rank's shoulders. A square of
at least s has first-rank ends wide enough; the second rank then ends in its corners.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from projector.piecing.blocks.build import Place, block, in_pairs, patch, role, spoke, square
from projector.piecing.blocks.recipe import BlockError, Parameter, Recipe, Values, at_least, at_most
from projector.piecing.blocks.rim import along_rim, around, to_rim
from projector.piecing.patchwork.patches import Block, Disc, Patch, Piece, Sewn

EVEN = (0.15, 0.25, 0.35, 0.5, 0.65)  # of the way to a tip is where shoulders lie unless a width is said; what fits
CLEAR = 0.9  # of the angle to the next point's axis is what a side may turn until it meets the rim
FIRST = 0.7  # of the disc's rim belongs to the first rank unless a width is said
PARALLEL = 1e-9
WIDE_ENOUGH = "so that every patch is a seam allowance wide there"
LEAST_SIDE = 1e-3  # of the finished size: shorter sides of patches are refused


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the star about the origin: the direction of its axis, its tip's radius, and half the tip's angle."""

    rank: int  # from 0
    way_rad: float
    tip_mm: float
    half_rad: float

    @property
    def tip(self) -> Place:
        return spoke((0.0, 0.0), self.tip_mm, self.way_rad)

    def out_rad(self, left: bool) -> float:
        """The direction outward along its counter-clockwise (left) or clockwise side."""
        return self.way_rad - self.half_rad if left else self.way_rad + self.half_rad

    def at_radius(self, radius_mm: float, left: bool) -> Place:
        """Where one of its sides crosses a circle about the origin."""
        back = self.tip_mm * math.cos(self.half_rad) - math.sqrt(
            radius_mm**2 - (self.tip_mm * math.sin(self.half_rad)) ** 2
        )
        return spoke(self.tip, -back, self.out_rad(left))


Wedge = tuple[Point, Point, Place, Place]  # clockwise and counter-clockwise neighbour, and where it leaves each


def shoulder(beside: Point, behind: Point, behind_is_left: bool) -> Place:
    """Where the side of a point comes out behind the one beside it; `behind_is_left`: counter-clockwise of that.

    The tip of the one beside it where the two sides are parallel: no place that is taken.
    """
    (x, y), along = beside.tip, beside.out_rad(behind_is_left)
    (u, v), other = behind.tip, behind.out_rad(not behind_is_left)
    # (x, y) + t e(along) lies on the other line where its distance from that is 0.
    turn = math.sin(other - along)
    if abs(turn) < PARALLEL:
        return beside.tip
    return spoke((x, y), ((u - x) * math.sin(other) - (v - y) * math.cos(other)) / turn, along)


def least_radius_mm(tip_mm: float, width_mm: float, of_first: int, end_mm: float) -> float:
    """The least radius of a disc at which the second rank's inner ends are `end_mm` wide (the module's text).

    >>> round(least_radius_mm(152.4, 50.8, 4, 6.35), 4)
    33.2094
    """
    a, beta = math.atan2(width_mm / 2.0, tip_mm), math.pi / of_first
    x = (tip_mm * math.sin(a) + end_mm / 2.0 * math.cos(a + beta)) / math.sin(a + beta)
    return math.hypot(x, end_mm / 2.0)


def greatest_radius_mm(tip_mm: float, width_mm: float, end_mm: float) -> float:
    """The greatest radius of a disc at which the first rank's inner ends are `end_mm` wide; 0 where none is."""
    return 0.0 if width_mm < end_mm else math.hypot(tip_mm * (1.0 - end_mm / width_mm), end_mm / 2.0)


def _half_to_reach(share: float, tip_mm: float, pairs: Sequence[Wedge]) -> float:
    """Half the tip's angle with which a rank's shoulders lie at least so far out, as a share of the way to its tips."""
    halves = []
    for right, left, low, high in pairs:
        way = (right.way_rad + left.way_rad) / 2.0
        for beside, is_left, begin in ((right, True, low), (left, False, high)):
            radius = math.hypot(*begin)
            x, y = beside.at_radius(min(radius + share * (tip_mm - radius), 0.98 * beside.tip_mm), is_left)
            along, across = x * math.cos(way) + y * math.sin(way), x * math.sin(way) - y * math.cos(way)
            halves.append(math.atan2(abs(across), tip_mm - along))
    return max(halves)


def compass(finish_mm: float, of: Values) -> Block:
    """The block; see the module's text."""
    star = _Star.of(finish_mm, of)
    sectors = star.sectors()
    middle = (finish_mm / 2.0, finish_mm / 2.0)
    if star.square:
        half = star.centre_mm / math.sqrt(2.0)
        corners = [star.placed((half * x, half * y)) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        whole: Piece = Sewn(sectors[0], patch("centre", *corners))
        for sector in sectors[1:]:
            whole = Sewn(whole, sector)
        return block("compass star", whole, square(finish_mm))
    return block("compass star", in_pairs(sectors), square(finish_mm), (Disc("centre", middle, star.centre_mm),))


def tips(finish_mm: float, of: Values) -> tuple[Place, ...]:
    """The tips of all points, in the block's own frame, counter-clockwise from the one to the right."""
    star, points = _Star.of(finish_mm, of), int(of.word("points"))
    last = len(star.shapes) - 1
    # Of each rank there is one point between any two neighbours of all ranks before: by how often 2 divides its number.
    ranks = [max(0, last - (k & -k).bit_length() + 1) if k else 0 for k in range(points)]
    return tuple(star.placed(star.point(rank, 2.0 * math.pi * k / points).tip) for k, rank in enumerate(ranks))


@dataclass(frozen=True, slots=True)
class _Star:
    """What the points are, about the origin; `centre_mm` is the radius to the centre's corners or rim."""

    finish_mm: float
    values: Values
    of_first: int
    shapes: tuple[tuple[float, float], ...]  # of each rank: tip radius, half the tip's angle
    centre_mm: float
    square: bool
    split: bool

    @staticmethod
    def of(finish_mm: float, of: Values) -> _Star:
        points, ranks = int(of.word("points")), of.count("ranks")
        of_first = points >> (ranks - 1)
        if of_first < 4:
            most = points.bit_length() - 3 + 1
            raise of.wrong("ranks", f"must be {'2' if most == 2 else f'2 to {most}'} with {points} points")
        squared, split = of.word("middle") == "square", of.word("split") == "along the axis"
        if squared and of_first != 4:
            ranks_right = points.bit_length() - 3 + 1
            raise of.wrong(
                "middle", f"must be disc with {of_first} points in the first rank; or write ranks = {ranks_right}"
            )
        end_mm = of.number("seam_allowance") * (2.0 if split else 1.0)
        across = of.number("centre")
        star = _Star(finish_mm, of, of_first, (), across / math.sqrt(2.0) if squared else across / 2.0, squared, split)
        star = star._with_first_rank(end_mm)
        for rank in range(1, ranks):
            star = star._with_rank(rank)
        return star

    def _with_first_rank(self, end_mm: float) -> _Star:
        of, beta = self.values, math.pi / self.of_first
        tip, width = of.number("tip_1"), of.length_or_none("width_1")
        shortest = self.centre_mm + 0.05 * self.finish_mm
        if tip < shortest * (1.0 - 1e-9):
            raise of.wrong("tip_1", f"must be at least {at_least(shortest)}")
        if self.square and width is not None:
            raise of.wrong("width_1", 'follows from the square and must be "even"')
        if width is None:
            turn = beta if self.square else self._even_turn(end_mm)
            half = self.centre_mm * math.sin(turn) * tip / (tip - self.centre_mm * math.cos(turn))
            if self.square and math.sqrt(2.0) * self.centre_mm < end_mm * (1.0 - 1e-9):
                raise of.wrong("centre", f"must be at least {at_least(end_mm)}, {WIDE_ENOUGH}")
        else:
            half = width / 2.0
            least, most = least_radius_mm(tip, width, self.of_first, end_mm), greatest_radius_mm(tip, width, end_mm)
            if least > most:
                raise of.wrong("width_1", 'is less than a seam needs; make it wider, or write "even"')
            if not least * (1.0 - 1e-9) <= self.centre_mm <= most * (1.0 + 1e-9):
                bounds = f"from {at_least(2.0 * least)} to {at_most(2.0 * most)}"
                raise of.wrong("centre", f"must be {bounds}, {WIDE_ENOUGH}")
        return self._and(tip, math.atan2(half, tip))

    def _even_turn(self, end_mm: float) -> float:
        """How far from its axis a first point's sides cross the disc's rim: a good part of the way to the next point's
        axis, but never so far that the second rank's ends become too narrow."""
        beta = math.pi / self.of_first
        needed = end_mm / (2.0 * self.centre_mm)
        if needed > math.sin(beta / 2.0) * (1.0 + 1e-9):
            least = at_least(end_mm / math.sin(beta / 2.0))
            raise self.values.wrong("centre", f"must be at least {least}, {WIDE_ENOUGH}")
        return max(beta / 2.0, min(FIRST * beta, beta - math.asin(min(1.0, needed))))

    def _with_rank(self, rank: int) -> _Star:
        """The next rank, its width such that its shoulders lie a stretch out on all the points beside it."""
        of = self.values
        tip, width = of.number(f"tip_{rank + 1}"), of.length_or_none(f"width_{rank + 1}")
        points = [self.point(0, 0.0), self.point(0, 2.0 * math.pi / self.of_first)]
        for earlier in range(1, rank):
            between = [self.point(earlier, (a.way_rad + b.way_rad) / 2.0) for a, b in itertools.pairwise(points)]
            points = [*(p for pair in zip(points, between, strict=False) for p in pair), points[-1]]
        pairs = [(a, b, *self._begin(a, b)) for a, b in itertools.pairwise(points)]
        start = max(math.hypot(*place) for *_, low, high in pairs for place in (low, high))
        shortest = start + 0.02 * self.finish_mm
        if tip < shortest * (1.0 - 1e-9):
            raise of.wrong(f"tip_{rank + 1}", f"must be at least {at_least(shortest)}")
        if width is not None:
            return self._and(tip, math.atan2(width / 2.0, tip))
        turns = [2.0 * math.pi * k / self.of_first for k in range(self.of_first)]
        most = min(self._most_half(tip, (a.way_rad + b.way_rad) / 2.0 + turn) for a, b, *_ in pairs for turn in turns)
        stars = (self._and(tip, min(_half_to_reach(share, tip, pairs), most)) for share in EVEN)
        return next((star for star in stars if star._shows(rank, pairs)), self._and(tip, most))

    def _shows(self, rank: int, pairs: Sequence[Wedge]) -> bool:
        """Whether all points of a rank come out behind those beside them."""
        return all(
            self._is_shoulder(behind, right, low, shoulder(right, behind, True))
            and self._is_shoulder(behind, left, high, shoulder(left, behind, False))
            for right, left, low, high in pairs
            for behind in [self.point(rank, (right.way_rad + left.way_rad) / 2.0)]
        )

    def _begin(self, right: Point, left: Point) -> tuple[Place, Place]:
        """Where the wedge between two neighbours leaves the one and the other."""
        if right.rank == left.rank == 0:
            return self._inner(right, True), self._inner(left, False)
        place = shoulder(left, right, False) if right.rank > left.rank else shoulder(right, left, True)
        return place, place

    def _most_half(self, tip_mm: float, way_rad: float) -> float:
        """Half the angle of a tip whose side, led on to the rim, stays clear of the next point's axis."""
        clear = CLEAR * 2.0 * math.pi / int(self.values.word("points"))
        middle = (self.finish_mm / 2.0, self.finish_mm / 2.0)
        end, tip = to_rim(self.finish_mm, middle, way_rad - clear), self.placed(spoke((0.0, 0.0), tip_mm, way_rad))
        way = math.atan2(end[1] - tip[1], end[0] - tip[0])
        return (way_rad - way + math.pi) % (2.0 * math.pi) - math.pi

    def _and(self, tip_mm: float, half_rad: float) -> _Star:
        shapes = (*self.shapes, (tip_mm, half_rad))
        return _Star(self.finish_mm, self.values, self.of_first, shapes, self.centre_mm, self.square, self.split)

    def point(self, rank: int, way_rad: float) -> Point:
        return Point(rank, way_rad, *self.shapes[rank])

    def placed(self, place: Place) -> Place:
        """From about the origin to the block's own frame."""
        return place[0] + self.finish_mm / 2.0, place[1] + self.finish_mm / 2.0

    def sectors(self) -> list[Piece]:
        """Each point of the first rank with the wedge clockwise of it, counter-clockwise from the right."""
        step = 2.0 * math.pi / self.of_first
        firsts = [self.point(0, k * step) for k in range(-1, self.of_first)]
        sectors: list[Piece] = []
        for before, here in itertools.pairwise(firsts):
            wedge = self._wedge(before, here, self._inner(before, True), self._inner(here, False))
            sectors.append(Sewn(wedge, self._sewn_point(here, [self._inner(here, False)], [self._inner(here, True)])))
        return sectors

    def _inner(self, point: Point, left: bool) -> Place:
        """Where a side of the first rank ends at the centre."""
        if self.square:
            return spoke((0.0, 0.0), self.centre_mm, point.way_rad + (math.pi / 4.0 if left else -math.pi / 4.0))
        return point.at_radius(self.centre_mm, left)

    def _wedge(self, right: Point, left: Point, on_right: Place, on_left: Place) -> Piece:
        """All between two neighbours, which begins where it leaves the one and the other."""
        rank = max(right.rank, left.rank) + 1
        if rank == len(self.shapes):
            return self._ground(right, left, on_right, on_left)
        behind = self.point(rank, (right.way_rad + left.way_rad) / 2.0)
        low, high = shoulder(right, behind, True), shoulder(left, behind, False)
        self._check_shoulder(behind, right, on_right, low)
        self._check_shoulder(behind, left, on_left, high)
        piece = self._sewn_point(behind, [on_right, low], [high, on_left])
        return Sewn(Sewn(self._wedge(right, behind, low, low), piece), self._wedge(behind, left, high, high))

    def _is_shoulder(self, behind: Point, beside: Point, begin: Place, place: Place) -> bool:
        """Whether a place lies on the side of the point beside, between where the wedge begins and both tips."""
        least = LEAST_SIDE * self.finish_mm
        out = math.dist(begin, beside.tip)
        free = math.dist(place, beside.tip)
        shown = math.dist(place, behind.tip)
        seen = (place[0] - begin[0]) * (beside.tip[0] - begin[0]) + (place[1] - begin[1]) * (beside.tip[1] - begin[1])
        return seen > 0.0 and least < free < out - least and shown > least

    def _check_shoulder(self, behind: Point, beside: Point, begin: Place, place: Place) -> None:
        if not self._is_shoulder(behind, beside, begin, place):
            name = f"width_{behind.rank + 1}"
            reason = "must let its sides end on those of the points beside it, outside the centre and inside their tips"
            even = isinstance(self.values.read[name], str)
            other = "make the points before it narrower" if even else 'write "even"'
            raise self.values.wrong(name, f"{reason}; {other}, or move tip_{behind.rank + 1}")

    def _sewn_point(self, point: Point, right: list[Place], left: list[Place]) -> Piece:
        """A point from its corners on the clockwise side, inside first, and those on the other, inside last."""
        fabric = role(point.rank)
        if not self.split:
            corners = [*right, point.tip, *left]
            return self._patch(point, fabric, corners if left[-1] != right[0] else corners[:-1])
        inner = ((right[0][0] + left[-1][0]) / 2.0, (right[0][1] + left[-1][1]) / 2.0)
        own = left[-1] != right[0]  # else both halves begin in the same corner
        dark = self._patch(point, f"{fabric} dark", [inner, *(right if own else right[1:]), point.tip])
        light = self._patch(point, f"{fabric} light", [inner, point.tip, *(left if own else left[:-1])])
        return Sewn(dark, light)

    def _patch(self, point: Point, fabric: str, corners: list[Place]) -> Patch:
        self._check_convex(corners, point.rank)
        return patch(fabric, *map(self.placed, corners), grain_rad=point.way_rad)

    def _ground(self, right: Point, left: Point, on_right: Place, on_left: Place) -> Patch:
        ends = [to_rim(self.finish_mm, self.placed(p.tip), p.out_rad(True)) for p in (right, left)]
        rim = around(self.finish_mm, *ends)
        if len(rim) > 4:  # round more than two corners: the sides have crossed
            raise self._crossing(left.rank)
        inner = [self.placed(on_right)] if on_right == on_left else [self.placed(on_left), self.placed(on_right)]
        corners = [*inner, *rim, self.placed(left.tip)]
        self._check_convex(corners, left.rank)
        return patch("ground", *corners, grain_rad=along_rim(self.finish_mm, rim))

    def _check_convex(self, corners: list[Place], rank: int) -> None:
        """All patches are convex where points do not cross each other."""
        n = len(corners)
        for i in range(n):
            (ax, ay), (bx, by), (cx, cy) = corners[i - 1], corners[i], corners[(i + 1) % n]
            if (bx - ax) * (cy - by) - (by - ay) * (cx - bx) <= (LEAST_SIDE * LEAST_SIDE * self.finish_mm) ** 2:
                raise self._crossing(rank)

    def _crossing(self, rank: int) -> BlockError:
        name = f"tip_{rank + 1}"
        return self.values.wrong(
            f"width_{rank + 1}", f"makes points cross each other; make it narrower, or move {name} out"
        )


_TIPS = (("1", "47 %"), ("2", "45 %"), ("3", "43 %"), ("4", "41 %"))

RECIPES = (
    Recipe(
        "compass star",
        "points in ranks, each between and behind those of the rank before",
        (
            Parameter("points", "choice", "16", "how many in all", choices=("8", "16", "32")),
            Parameter("ranks", "count", "3", "in how many ranks", 2, 4),
            *(
                Parameter(f"tip_{k}", "length", tip, f"from the middle to the tips of rank {k}", 0.05, 0.49)
                for k, tip in _TIPS
            ),
            *(
                Parameter(
                    f"width_{k}",
                    "length",
                    "even",
                    f"of a point of rank {k}, if it began in the middle",
                    1e-3,
                    1.0,
                    ("even",),
                )
                for k, _ in _TIPS
            ),
            Parameter("split", "choice", "no", "each point in two fabrics", choices=("no", "along the axis")),
            Parameter("middle", "choice", "disc", "a disc laid over, or a square", choices=("disc", "square")),
            Parameter("centre", "length", "20 %", "across the centre", 1e-3, 0.6),
            Parameter("seam_allowance", "length", "1/4 in", "for which the inner ends must be wide enough"),
        ),
        compass,
    ),
)
