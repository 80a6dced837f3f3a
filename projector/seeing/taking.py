"""Pictures in the projector's even light and without it, taken between two scenes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.guide.scenes import DARK, LAMP, Scene
from projector.render import draw
from projector.table import Table

Picture = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Taken:
    """Pictures of one moment, all alike but for their noise."""

    lit: tuple[Picture, ...]  # with the lamp on
    dark: tuple[Picture, ...]  # with it off: the room's light alone

    @property
    def latest(self) -> Picture:
        """What a person may be shown of it."""
        return self.lit[-1]


def take(table: Table, frames: int) -> Taken:
    """Take so many pictures in even light and in none, and throw the light back that was there. Raises CameraError."""
    before = table.shown
    lit, dark = (_in(table, scene, frames) for scene in (LAMP, DARK))
    if before is not None:
        table.throw(before)
    return Taken(lit, dark)


def _in(table: Table, scene: Scene, frames: int) -> tuple[Picture, ...]:
    table.throw(draw(scene, lambda points: points, table.display.size_px))
    return tuple(table.looks(frames))
