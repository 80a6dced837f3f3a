"""What holds for every block, by shapely's geometry."""

from __future__ import annotations

import math

import numpy as np
from shapely import Polygon, STRtree

from projector.piecing.patchwork.patches import Block, area_mm2
from projector.piecing.patchwork.stages import Stages

IN = 25.4
GRID_MM = 1e-9  # GEOS snaps to it: without a grid, corners 4e-15 mm apart once gave a whole patch as the overlap


def holes_mm2(block: Block) -> float:
    """Area that no patch covers: of holes, which discs must cover."""
    return area_mm2(block.outline_mm) - sum(patch.area_mm2 for patch in block.patches)


def check(block: Block) -> None:
    """Patches are simple, tile the outline (but for what a disc covers), and each is sewn in once along one seam."""
    polygons = [Polygon(patch.corners_mm) for patch in block.patches]
    for patch, polygon in zip(block.patches, polygons, strict=True):
        assert np.all(np.isfinite(patch.corners_mm))
        assert polygon.is_valid  # simple
        assert polygon.exterior.is_ccw
        assert patch.area_mm2 > 0.0
    outline = Polygon(block.outline_mm)
    assert outline.is_valid
    assert outline.exterior.is_ccw
    for one, other in STRtree(polygons).query(polygons, predicate="intersects").T:
        if one < other:
            assert polygons[one].intersection(polygons[other], grid_size=GRID_MM).area < 1e-6
    for polygon in polygons:
        assert polygon.difference(outline, grid_size=GRID_MM).area < 1e-6
    missing = holes_mm2(block)
    if block.discs:
        assert missing < sum(math.pi * disc.radius_mm**2 for disc in block.discs)
    else:
        assert abs(missing) < 1e-6
    assert len({id(patch) for patch in block.patches}) == len(block.patches)
    stages = Stages(block, IN / 4)
    assert len(stages.joins) == len(block.patches) - 1
    for join in stages.joins:  # each along one seam, else Stages refuses; its turns are those that are said
        assert np.allclose(stages.set_in_mm(join), join.set_in_mm, atol=1e-9)
        assert join.press in ("first", "second")
    for join in stages.joins:
        assert Polygon(stages.finished_mm(join)).is_valid
