"""Blocks of right-angled triangles: halves and quarters of a square, flying geese."""

from __future__ import annotations

from projector.piecing.blocks.build import UP, Place, block, in_pairs, patch, role, square
from projector.piecing.blocks.recipe import Parameter, Recipe, Values
from projector.piecing.patchwork.patches import Block, Patch, Piece, Sewn

ALONG = 0.0  # grain along the long side of a triangle that lies at a unit's top or bottom


def half_square_triangles(finish_mm: float, of: Values) -> Block:
    """Squares of a light and a dark triangle; the straight grain runs along their legs."""
    n, setting = of.count("units"), of.word("setting")
    at = [finish_mm * k / n for k in range(n + 1)]

    def turn(i: int, j: int) -> int:
        """Quarter turns of the unit in column i, row j; unturned its dark half lies at the lower left."""
        if setting == "same way":
            return 0
        if setting == "zigzag":
            return i % 2
        on = (0, 1, 3, 2)[i % 2 + 2 * (j % 2)]  # four about a place, each a quarter turn on
        return on if setting == "diamonds" else (on + 1) % 4  # of a pinwheel all seams end in that place

    rows = []
    for j in range(n):
        units = [_halves((at[i], at[j]), (at[i + 1], at[j + 1]), turn(i, j)) for i in range(n)]
        rows.append(in_pairs(units))
    return block("half-square triangles", in_pairs(rows), square(finish_mm))


def _corners(low: Place, high: Place, turns: int) -> tuple[Place, ...]:
    """A unit's corners from its lower left, begun so many quarter turns on."""
    corners = (low, (high[0], low[1]), high, (low[0], high[1]))
    return corners[turns:] + corners[:turns]


def _halves(low: Place, high: Place, turns: int) -> Piece:
    a, b, c, d = _corners(low, high, turns)
    return Sewn(patch("dark", a, b, d), patch("light", b, c, d))


def quarter_square_triangles(finish_mm: float, of: Values) -> Block:
    """Squares of four triangles; the straight grain runs along the long sides, which lie outside."""
    n, fabrics = of.count("units"), of.count("fabrics")
    at = [finish_mm * k / n for k in range(n + 1)]
    rows = []
    for j in range(n):
        units = [_quarters((at[i], at[j]), (at[i + 1], at[j + 1]), fabrics, (i + j) % 2) for i in range(n)]
        rows.append(in_pairs(units))
    return block("quarter-square triangles", in_pairs(rows), square(finish_mm))


def _quarters(low: Place, high: Place, fabrics: int, turns: int) -> Piece:
    """Bottom and right, top and left, then both halves; in two fabrics like ones lie opposite each other."""
    a, b, c, d = _corners(low, high, turns)
    middle = ((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0)
    parts = [
        patch(role((k + turns) % fabrics), start, end, middle, grain_rad=UP if k % 2 else ALONG)
        for k, (start, end) in enumerate(((a, b), (b, c), (c, d), (d, a)))
    ]
    return Sewn(Sewn(parts[0], parts[1]), Sewn(parts[2], parts[3]))


def flying_geese(finish_mm: float, of: Values) -> Block:
    """Rectangles twice as wide as high, one above the other, in each a goose between two pieces of sky."""
    n = of.count("geese")
    at = [finish_mm * k / 2.0 for k in range(n + 1)]
    units = [_goose(finish_mm, at[k], at[k + 1]) for k in range(n)]
    return block("flying geese", in_pairs(units), square(finish_mm, at[n]))


def _goose(width: float, bottom: float, top: float) -> Piece:
    goose: Patch = patch("goose", (0.0, bottom), (width, bottom), (width / 2.0, top), grain_rad=ALONG)
    left = patch("sky", (0.0, bottom), (width / 2.0, top), (0.0, top))
    right = patch("sky", (width, bottom), (width, top), (width / 2.0, top))
    return Sewn(Sewn(goose, left), right)


RECIPES = (
    Recipe(
        "half-square triangles",
        "squares of a light and a dark triangle, one or n by n",
        (
            Parameter("units", "count", "1", "squares across and up", 1, 20),
            Parameter(
                "setting", "choice", "same way", "how they lie", choices=("same way", "zigzag", "diamonds", "pinwheel")
            ),
        ),
        half_square_triangles,
    ),
    Recipe(
        "quarter-square triangles",
        "squares of four triangles, one or n by n",
        (
            Parameter("units", "count", "1", "squares across and up", 1, 20),
            Parameter("fabrics", "count", "2", "fabrics of the four triangles", 1, 4),
        ),
        quarter_square_triangles,
    ),
    Recipe(
        "flying geese",
        "a goose between two pieces of sky, one or a column of them",
        (Parameter("geese", "count", "1", "how many, one above the other", 1, 100),),
        flying_geese,
        "width of a goose, which is half as high",
    ),
)
