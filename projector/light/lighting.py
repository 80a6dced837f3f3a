"""Scenes of the guided cut thrown on the mat: at the cloth's height, in inks that suit what lies there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.guide.looks import BlockSeen, MatCleared, Seen, StripsSeen, YardageSeen
from projector.guide.scene.cautions import CAUTIONS
from projector.guide.scene.scenes import Scene
from projector.guide.yardage.layout import outline_of
from projector.light.inks import PALETTE, Palette
from projector.light.linecolour import suited_palette
from projector.light.showing import show
from projector.table.devices import Table
from vision.lamplight.matlight import MatLight

Floats = NDArray[np.float64]
Measured = MatCleared | Seen | StripsSeen | YardageSeen | BlockSeen


class Lighting:
    """What the light shows. Where it cannot show the cautions as it should, the laptop tells them, once a reason."""

    def __init__(self, table: Table, rig: Rig, layer_mm: float) -> None:
        self._table, self._rig, self._layer_mm = table, rig, layer_mm
        self._palette: Palette = PALETTE
        self._told = set[str]()

    def suit(self, surfaces: Floats | None, light: MatLight | None) -> None:
        """Choose the inks for surfaces (N, 3) of cloth and mat; where they are not known the inks stay."""
        if surfaces is not None and light is not None and len(surfaces) > 1:
            self._palette = suited_palette(surfaces, light.room)

    def show(self, scene: Scene) -> None:
        """Throw a scene; a cut lies on top of the cloth, all else on the mat."""
        height_mm = scene.layers * self._layer_mm if scene.cut_mat_mm is not None else 0.0
        show(self._table, self._rig, scene, height_mm, self._palette)
        if scene.caution_doubt and scene.caution_doubt not in self._told:
            self._told.add(scene.caution_doubt)
            do = f"{scene.caution_doubt}, so read them here"
            self._table.teller.tell("refused", what="caution", why="hard_to_read", do=do, cautions=list(CAUTIONS))


def outlines_of(seen: Measured) -> list[Floats]:
    """The outlines of all cloth that was seen, (N, 2) each in the mat frame."""
    match seen:
        case Seen(cloths):
            return [cloth.unit.corners_mat_mm for cloth in cloths]
        case StripsSeen(strips, others) | YardageSeen(others, strips):
            return [outline_of(strip) for strip in strips] + [other.corners_mat_mm for other in others]
        case BlockSeen(_, others):
            return [other.corners_mat_mm for other in others]
        case _:
            return []
