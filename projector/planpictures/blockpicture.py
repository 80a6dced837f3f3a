"""A block, drawn: its patches in their fabrics."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from projector.piecing.patchwork.patches import Block
from projector.planpictures.swatches import Swatch

EDGE = "#222222"


def draw_block(axes: Any, block: Block, looks: Mapping[str, Swatch]) -> None:
    """On matplotlib axes, in the block's own millimetres."""
    from matplotlib.patches import Circle, Polygon

    for patch in block.patches:
        axes.add_patch(Polygon(patch.corners_mm, closed=True, **_look(looks[patch.fabric])))
    for disc in block.discs:
        axes.add_patch(Circle(disc.middle_mm, disc.radius_mm, **_look(looks[disc.fabric])))
    low, high = block.outline_mm.min(axis=0), block.outline_mm.max(axis=0)
    spare = 0.02 * float((high - low).max())
    axes.set_xlim(low[0] - spare, high[0] + spare)
    axes.set_ylim(low[1] - spare, high[1] + spare)
    axes.set_aspect("equal")
    axes.axis("off")


def _look(swatch: Swatch) -> dict[str, Any]:
    return {"facecolor": swatch.tint, "hatch": swatch.pattern, "edgecolor": EDGE, "linewidth": 0.8}
