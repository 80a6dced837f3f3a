"""A scene of the mat, thrown into the light through a rig's projector."""

from __future__ import annotations

from calibration.rig import Rig
from projector.guide.scenes import Scene
from projector.render import draw
from projector.table import Table


def show(table: Table, rig: Rig, scene: Scene, height_mm: float = 0.0) -> None:
    """Light the scene where it lies, `height_mm` above the mat; nothing without a projector."""
    if rig.projector is None:
        return
    pinhole = rig.projector.pinhole
    table.light(scene, draw(scene, lambda points: pinhole.px_from_mat(points, height_mm), table.display.size_px))
