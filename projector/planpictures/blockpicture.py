"""A block, drawn: its patches in their fabrics."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from projector.piecing.patchwork.patches import Block
from projector.planpictures.swatches import Swatch, swatches


def draw_block(axes: Any, block: Block, looks: Mapping[str, Swatch]) -> None:
    """On matplotlib axes, in the block's own millimetres."""
    from matplotlib.patches import Circle, Polygon

    for patch in block.patches:
        axes.add_patch(Polygon(patch.corners_mm, closed=True, **looks[patch.fabric].look()))
    for disc in block.discs:
        axes.add_patch(Circle(disc.middle_mm, disc.radius_mm, **looks[disc.fabric].look()))
    low, high = block.outline_mm.min(axis=0), block.outline_mm.max(axis=0)
    spare = 0.02 * float((high - low).max())
    axes.set_xlim(low[0] - spare, high[0] + spare)
    axes.set_ylim(low[1] - spare, high[1] + spare)
    axes.set_aspect("equal")
    axes.axis("off")


def write_block(path: Path, block: Block, wide_in: float = 3.0) -> None:
    """One block as a picture of its own, `wide_in` inches wide; the file's ending says which kind."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    wide, tall = block.outline_mm.max(axis=0) - block.outline_mm.min(axis=0)
    with matplotlib.rc_context({"hatch.linewidth": 0.6, "svg.hashsalt": block.name}):
        page = plt.figure(figsize=(wide_in, wide_in * tall / wide), facecolor="white")
        fabrics = [patch.fabric for patch in block.patches] + [disc.fabric for disc in block.discs]
        draw_block(page.add_axes((0.0, 0.0, 1.0, 1.0)), block, swatches(fabrics))
        page.savefig(path, dpi=150)
        plt.close(page)
