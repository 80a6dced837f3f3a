"""Rings of wedges about a centre, their outer edge straight: a polygon of n sides on a ground square."""

from __future__ import annotations

import itertools
import math

from projector.piecing.blocks.build import block, in_pairs, patch, role, spoke, square
from projector.piecing.blocks.recipe import Parameter, Recipe, Values, at_least, at_most
from projector.piecing.blocks.rim import along_rim, around, to_rim
from projector.piecing.patchwork.patches import Block, Disc, Piece, Sewn


def ring_of_wedges(finish_mm: float, of: Values) -> Block:
    """n sectors of 360/n degrees, each a wedge (of one or more rings) and the ground outside it, sewn along spokes.

    A disc is laid over: the wedges' inner ends, chords of its circle, stay open beneath it, sectors make pairs, pairs
    of pairs and at last the whole. A polygon is sewn to the first sector and every other one is sewn to what is there
    along the spoke and the polygon's side, with the needle down where the two meet: n places.
    """
    n, rings, fabrics = of.count("wedges"), of.count("rings"), of.count("fabrics")
    outer, inner = of.number("across") / 2.0, of.number("centre") / 2.0
    if outer - inner < 0.02 * finish_mm * (1.0 - 1e-9):
        raise of.wrong("centre", f"must be at most {at_most(2.0 * (outer - 0.02 * finish_mm))}")
    _check_inner_ends(of, n, inner)
    middle = (finish_mm / 2.0, finish_mm / 2.0)
    # A side lies at the bottom; spoke k is the clockwise side of sector k.
    ways = [2.0 * math.pi * (k - 0.5) / n - math.pi / 2.0 for k in range(n + 1)]
    radii = [inner + (outer - inner) * k / rings for k in range(rings + 1)]
    sectors: list[Piece] = []
    for k in range(n):
        one, other = ways[k], ways[k + 1]
        wedges: list[Piece] = [
            patch(
                role((k + r) % fabrics),
                spoke(middle, low, one),
                spoke(middle, high, one),
                spoke(middle, high, other),
                spoke(middle, low, other),
                grain_rad=(one + other) / 2.0,
            )
            for r, (low, high) in enumerate(itertools.pairwise(radii))
        ]
        rim = around(finish_mm, to_rim(finish_mm, middle, one), to_rim(finish_mm, middle, other))
        outside = (spoke(middle, outer, one), *rim, spoke(middle, outer, other))
        ground = patch("ground", *outside, grain_rad=along_rim(finish_mm, outside))
        sectors.append(Sewn(in_pairs(wedges), ground))
    if of.word("middle") == "disc":
        disc = Disc("centre", middle, inner)
        return block("ring of wedges", in_pairs(sectors), square(finish_mm), (disc,))
    whole: Piece = Sewn(sectors[0], patch("centre", *(spoke(middle, inner, way) for way in ways[:-1])))
    for sector in sectors[1:]:
        whole = Sewn(whole, sector)
    return block("ring of wedges", whole, square(finish_mm))


def _check_inner_ends(of: Values, n: int, inner_mm: float) -> None:
    """A wedge's inner end is at least a seam allowance wide: neither side's allowance then reaches the other seam."""
    least = of.number("seam_allowance") / (2.0 * math.sin(math.pi / n))
    if inner_mm < least * (1.0 - 1e-9):
        why = f"must be at least {at_least(2.0 * least)}, so that each of {n} wedges is a seam allowance wide there"
        raise of.wrong("centre", why)


RECIPES = (
    Recipe(
        "ring of wedges",
        "n wedges of 360/n degrees about a centre, straight outside, on a ground square",
        (
            Parameter("wedges", "count", "12", "how many", 3, 64),
            Parameter("rings", "count", "1", "rings of patches, one outside the other", 1, 8),
            Parameter("fabrics", "count", "2", "fabrics of the wedges by turns", 1, 64),
            Parameter("across", "length", "90 %", "from corner to opposite corner of the polygon", 0.05, 0.98),
            Parameter("centre", "length", "30 %", "across the centre", 1e-3, 0.96),
            Parameter("middle", "choice", "disc", "a disc laid over, or a polygon", choices=("disc", "polygon")),
            Parameter("seam_allowance", "length", "1/4 in", "for which the inner ends must be wide enough"),
        ),
        ring_of_wedges,
    ),
)
