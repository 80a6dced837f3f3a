"""What all recipes build with: places, roles of fabrics, pieces in a row, and a block with its seams pressed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from projector.piecing.patchwork.mesh import mesh_of
from projector.piecing.patchwork.patches import Block, Disc, Patch, Piece, Sewn
from projector.piecing.patchwork.pressing import pressed

Floats = NDArray[np.float64]
Place = tuple[float, float]

UP = math.pi / 2.0  # the usual grain, in the block's frame
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def role(k: int) -> str:
    """The k-th fabric of a block, k from 0.

    >>> role(0), role(12)
    ('first', 'fabric 13')
    """
    return _ORDINALS[k] if k < len(_ORDINALS) else f"fabric {k + 1}"


def patch(fabric: str, *places: Place, grain_rad: float | None = UP) -> Patch:
    """A patch of corners that run counter-clockwise."""
    return Patch(fabric, np.array(places, float), grain_rad)


def square(width: float, height: float | None = None) -> Floats:
    """(4, 2): the corners of a block's outline, its lower left at the origin."""
    top = width if height is None else height
    return np.array([[0.0, 0.0], [width, 0.0], [width, top], [0.0, top]])


def spoke(middle: Place, length: float, angle_rad: float) -> Place:
    """The place at a distance and in a direction from another."""
    return middle[0] + length * math.cos(angle_rad), middle[1] + length * math.sin(angle_rad)


def outline_of(patches: Iterable[Patch]) -> Floats:
    """(N, 2): what encloses patches that lie edge to edge."""
    mesh = mesh_of([patch.corners_mm for patch in patches])
    (ring,) = mesh.boundaries(range(len(mesh.rings)))
    return mesh.corners_mm(ring)


def box(fabric: str, x0: float, y0: float, x1: float, y1: float) -> Patch:
    """A rectangle with its sides along the axes."""
    return patch(fabric, (x0, y0), (x1, y0), (x1, y1), (x0, y1))


def in_pairs(pieces: Sequence[Piece]) -> Piece:
    """Pieces that follow one another, sewn in pairs, pairs of pairs, and so on: like units come out."""
    row = list(pieces)
    while len(row) > 1:
        pairs: list[Piece] = [Sewn(a, b) for a, b in zip(row[::2], row[1::2], strict=False)]
        row = pairs + (row[-1:] if len(row) % 2 else [])
    return row[0]


def one_by_one(pieces: Sequence[Piece]) -> Piece:
    """Each piece sewn to all that were before it."""
    whole = pieces[0]
    for piece in pieces[1:]:
        whole = Sewn(whole, piece)
    return whole


def block(name: str, piece: Piece, outline_mm: Floats, discs: tuple[Disc, ...] = ()) -> Block:
    """The block, its seams' turns noted and its seams pressed."""
    return pressed(Block(name, piece, outline_mm, discs))
