"""The eight-pointed star: points of 45-degree diamonds, each point n by n of them as strip sets give them."""

from __future__ import annotations

import math

from projector.piecing.blocks.build import UP, Place, block, in_pairs, patch, role, spoke, square
from projector.piecing.blocks.recipe import Parameter, Recipe, Values
from projector.piecing.patchwork.patches import Block, Piece, Sewn

EIGHTH = math.pi / 4.0


def diamond_of_strips(corner: Place, along: Place, across: Place, rows: int, fabrics: int, first: int = 0) -> Piece:
    """A large diamond of rows x rows small ones; its sides are `along` and, counter-clockwise, `across`.

    Each row is a segment of a strip set; from row to row the fabrics, `first` in the corner, move on by one.
    """

    def at(i: int, j: int) -> Place:
        u, v = i / rows, j / rows
        return corner[0] + u * along[0] + v * across[0], corner[1] + u * along[1] + v * across[1]

    across_strips = math.atan2(along[1], along[0]) + math.pi / 2.0
    segments = []
    for i in range(rows):
        small = [
            patch(
                role((first + i + j) % fabrics),
                at(i, j),
                at(i + 1, j),
                at(i + 1, j + 1),
                at(i, j + 1),
                grain_rad=across_strips,
            )
            for j in range(rows)
        ]
        segments.append(in_pairs(small))
    return in_pairs(segments)


def eight_pointed_star(finish_mm: float, of: Values) -> Block:
    """Block = side of a point x (2 + sqrt 2). Two points and the corner square between them make a quarter; each
    quarter gets the side triangle that follows it; quarters make halves. Eight places turn a corner: four squares,
    and the four inner corners of the side triangles."""
    rows, fabrics = of.count("rows"), of.count("fabrics")
    side, middle = finish_mm / (2.0 + math.sqrt(2.0)), (finish_mm / 2.0, finish_mm / 2.0)
    ways = [spoke((0.0, 0.0), side, k * EIGHTH) for k in range(8)]

    def far(*ks: int) -> Place:
        return middle[0] + sum(ways[k % 8][0] for k in ks), middle[1] + sum(ways[k % 8][1] for k in ks)

    quarters = []
    for k in range(0, 8, 2):
        right, left = (diamond_of_strips(middle, ways[m], ways[(m + 1) % 8], rows, fabrics) for m in (k, k + 1))
        corner = patch("ground", far(k + 1), far(k, k + 1), far(k, k + 1, k + 2), far(k + 1, k + 2))
        upright = UP if (k + 2) % 4 == 0 else 0.0  # along the block's side
        beside = patch("ground", far(k + 2), far(k + 1, k + 2), far(k + 2, k + 3), grain_rad=upright)
        quarters.append(Sewn(Sewn(Sewn(right, left), corner), beside))
    return block("eight-pointed star", in_pairs(quarters), square(finish_mm))


RECIPES = (
    Recipe(
        "eight-pointed star",
        "eight points of n by n 45-degree diamonds, corner squares and side triangles set in",
        (
            Parameter("rows", "count", "2", "rows of diamonds in a point", 1, 8),
            Parameter("fabrics", "count", "3", "fabrics, from the middle outward by turns", 1, 15),
        ),
        eight_pointed_star,
    ),
)
