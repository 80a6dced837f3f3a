"""The block that a plan makes: one of the library by its name, or one's own by its patches."""

from __future__ import annotations

from dataclasses import replace

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.drawing.drawn import Drawing
from projector.piecing.drawing.own import own_block, recognised
from projector.piecing.patchwork.patches import Block
from projector.piecing.plans import Making


def block_to_make(making: Making) -> Block:
    """The same block each time from the same `making`, so that a plan's file tells all of it.

    Raises
    ------
    BlockError, DrawingError
        No such block, or patches that make none.
    """
    if not making.patches:
        return block_of(making.block, making.finish_mm, dict(making.settings))
    seen = recognised(recorded(making), making.finish_mm)
    return own_block(making.block, seen.patches, seen.discs)


def making_of_drawing(drawing: Drawing, making: Making) -> tuple[Making, tuple[str, ...]]:
    """`making` with the patches of a drawing at the finished size, and what is to be known of the drawing."""
    seen = recognised(drawing, making.finish_mm)
    return replace(making, block=drawing.name, patches=seen.patches, discs=seen.discs), seen.notes


def recorded(making: Making) -> Drawing:
    """The patches that a plan has recorded, as a drawing of their own."""
    return Drawing(f"{making.block}, [block]", making.block, making.patches, making.discs)
