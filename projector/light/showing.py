"""A scene of the mat, thrown into the light through a rig's projector."""

from __future__ import annotations

from functools import partial

import shapely

from calibration.pinhole import Pinhole
from calibration.rig import Rig
from projector.guide.scene.scenes import Point, Scene
from projector.light.inks import PALETTE, Palette
from projector.light.render import Floats, Mapping, draw
from projector.table.devices import Table


def show(table: Table, rig: Rig, scene: Scene, height_mm: float = 0.0, palette: Palette = PALETTE) -> None:
    """Light the scene where it lies, `height_mm` above the mat; nothing without a projector."""
    if rig.projector is None:
        return
    at_height = partial(_mapping, rig.projector.pinhole)
    picture = draw(
        *(scene, at_height(height_mm), table.display.size_px, palette),
        lifted=lambda lift_mm: at_height(height_mm + lift_mm),
    )
    table.light(scene, picture)


def lit_mat(rig: Rig) -> tuple[Point, ...]:
    """Where words may stand: on the mat, as far as light and sight reach. What lies beyond it lies lower."""
    area = shapely.Polygon(rig.area_mat_mm)
    if rig.mat_mm is not None:
        on_mat = area & shapely.box(0.0, 0.0, *rig.mat_mm)
        area = on_mat if isinstance(on_mat, shapely.Polygon) and not on_mat.is_empty else area
    return tuple((float(x), float(y)) for x, y in shapely.geometry.polygon.orient(area).exterior.coords[:-1])


def _mapping(pinhole: Pinhole, height_mm: float) -> Mapping:
    def px_from_mat(points_mat_mm: Floats) -> Floats:
        return pinhole.px_from_mat(points_mat_mm, height_mm)

    return px_from_mat
