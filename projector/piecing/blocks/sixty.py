"""Blocks at 60 degrees: diamonds, triangles and hexagons.

A hexagon lies with two of its sides level; its finished size is from one of them to the other (across flats), and its
side is that divided by the square root of 3.
"""

from __future__ import annotations

import math

from projector.piecing.blocks.build import Floats, Place, block, in_pairs, outline_of, patch, role, spoke
from projector.piecing.blocks.diamonds import diamond_of_strips
from projector.piecing.blocks.recipe import Parameter, Recipe, Values
from projector.piecing.patchwork.patches import Block, Patch, Piece, Sewn

SIXTH = math.pi / 3.0
ROOT3 = math.sqrt(3.0)

Rows = list[list[Patch]]


def hexagon(finish_mm: float) -> tuple[Place, list[Place]]:
    """Middle and corners of a hexagon whose lower left lies at the origin; corner 0 is the right one."""
    side = finish_mm / ROOT3
    middle = (side, finish_mm / 2.0)
    return middle, [spoke(middle, side, k * SIXTH) for k in range(6)]


def _way(start: Place, end: Place) -> Place:
    return end[0] - start[0], end[1] - start[1]


def three_diamonds(finish_mm: float, of: Values) -> Block:
    """Three diamonds about the middle; the last one turns a corner there."""
    rows, fabrics = of.count("rows"), of.count("fabrics")
    middle, rim = hexagon(finish_mm)
    parts = [
        diamond_of_strips(middle, _way(middle, rim[2 * m]), _way(middle, rim[(2 * m + 2) % 6]), rows, fabrics, m)
        for m in range(3)
    ]
    return _block("hexagon of three diamonds", Sewn(Sewn(parts[0], parts[1]), parts[2]), rim)


def six_diamonds(finish_mm: float, of: Values) -> Block:
    """A star of six diamonds, its tips the hexagon's corners, and the triangles between them. Each diamond gets the
    triangle that follows it; three such units make a half. Six places turn a corner: the triangles' inner corners."""
    rows, fabrics = of.count("rows"), of.count("fabrics")
    middle, tips = hexagon(finish_mm)
    inner = [spoke(middle, finish_mm / 3.0, (k - 0.5) * SIXTH) for k in range(6)]  # before tip k; side = finish / 3
    units = []
    for k in range(6):
        after = inner[(k + 1) % 6]
        diamond = diamond_of_strips(middle, _way(middle, inner[k]), _way(middle, after), rows, fabrics, k)
        along_rim = (k + 2) * SIXTH
        units.append(Sewn(diamond, patch("ground", after, tips[k], tips[(k + 1) % 6], grain_rad=along_rim)))
    halves = [Sewn(Sewn(units[k], units[k + 1]), units[k + 2]) for k in (0, 3)]
    return _block("hexagon of six diamonds", Sewn(halves[0], halves[1]), tips)


def hexagon_of_triangles(finish_mm: float, of: Values) -> Block:
    """2 n rows of triangles, 6 n^2 in all: those that point up are dark, those that point down light."""
    n = of.count("rows")
    middle, rim = hexagon(finish_mm)
    step = finish_mm / ROOT3 / n

    def level(j: int) -> list[Place]:
        """The places along level j, from the left; 2 n + 1 levels."""
        count = 2 * n - abs(j - n)
        return [(middle[0] + (i - count / 2.0) * step, finish_mm * j / (2 * n)) for i in range(count + 1)]

    rows = []
    for j in range(2 * n):
        low, high = level(j), level(j + 1)
        up = [patch("dark", low[i], low[i + 1], high[i + (j < n)]) for i in range(len(low) - 1)]
        down = [patch("light", high[i + 1], high[i], low[i + (j >= n)]) for i in range(len(high) - 1)]
        first, second = (down, up) if j < n else (up, down)
        turns = [one for pair in zip(first, second, strict=False) for one in pair]
        rows.append(in_pairs([*turns, *first[len(second) :]]))
    return _block("hexagon of triangles", in_pairs(rows), rim)


def row_of_triangles(finish_mm: float, of: Values) -> Block:
    """Triangles side by side, every other one upside down."""
    n = of.count("triangles")
    half = finish_mm / ROOT3
    parts = []
    for k in range(n):
        left, middle, right = k * half, (k + 1) * half, (k + 2) * half
        if k % 2 == 0:
            parts.append(patch("dark", (left, 0.0), (right, 0.0), (middle, finish_mm)))
        else:
            parts.append(patch("light", (left, finish_mm), (middle, 0.0), (right, finish_mm)))
    return block("row of triangles", in_pairs(parts), outline_of(parts))


def hexagons(finish_mm: float, of: Values) -> Block:
    """Hexagons about one, with two of their sides upright: sewn in rows, and the rows along zigzags."""
    rounds = of.count("rounds")
    flats = finish_mm / (2 * rounds + 1)
    radius = flats / ROOT3
    patches, rows = list[Patch](), list[Piece]()
    for j in range(-rounds, rounds + 1):
        count = 2 * rounds + 1 - abs(j)
        row = []
        for i in range(count):
            x = finish_mm / 2.0 + (i - (count - 1) / 2.0) * flats
            y = (1.5 * rounds + 1.0 + 1.5 * j) * radius
            away = max(abs(j), abs(i - (count - 1) / 2.0) + abs(j) / 2.0)
            corners = [spoke((x, y), radius, (k + 0.5) * SIXTH) for k in range(6)]
            row.append(patch("centre" if away == 0 else role(int(away) - 1), *corners))
        patches += row
        rows.append(in_pairs(row))
    return block("hexagons", in_pairs(rows), outline_of(patches))


def _block(name: str, piece: Piece, rim: list[Place]) -> Block:
    outline: Floats = patch("", *rim).corners_mm
    return block(name, piece, outline)


_ROWS = Parameter("rows", "count", "1", "rows of small diamonds in each", 1, 8)

RECIPES = (
    Recipe(
        "hexagon of three diamonds",
        "three 60-degree diamonds about the middle",
        (_ROWS, Parameter("fabrics", "count", "3", "fabrics by turns", 1, 15)),
        three_diamonds,
        "hexagon across flats",
    ),
    Recipe(
        "hexagon of six diamonds",
        "a star of six 60-degree diamonds, triangles set in between its points",
        (_ROWS, Parameter("fabrics", "count", "2", "fabrics by turns", 1, 15)),
        six_diamonds,
        "hexagon across flats",
    ),
    Recipe(
        "hexagon of triangles",
        "rows of 60-degree triangles",
        (Parameter("rows", "count", "2", "rows in half of it, and triangles along a side", 1, 10),),
        hexagon_of_triangles,
        "hexagon across flats",
    ),
    Recipe(
        "row of triangles",
        "60-degree triangles side by side",
        (Parameter("triangles", "count", "5", "how many", 1, 100),),
        row_of_triangles,
        "height of the row",
    ),
    Recipe(
        "hexagons",
        "hexagons in rounds about one",
        (Parameter("rounds", "count", "1", "rounds about the middle one", 1, 8),),
        hexagons,
        "width of the middle row",
    ),
)
