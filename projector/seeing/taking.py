"""Pictures in the projector's even light, taken between two scenes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.guide.scenes import LAMP
from projector.render import draw
from projector.table import Table

Picture = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Taken:
    """Pictures of one moment, all alike but for their noise."""

    lit: tuple[Picture, ...]  # with the lamp on

    @property
    def latest(self) -> Picture:
        """What a person may be shown of it."""
        return self.lit[-1]


def take(table: Table, frames: int) -> Taken:
    """Light the mat evenly, take so many pictures, and throw the light back that was there. Raises CameraError."""
    before = table.shown
    table.throw(draw(LAMP, lambda points: points, table.display.size_px))
    taken = Taken(tuple(table.looks(frames)))
    if before is not None:
        table.throw(before)
    return taken
