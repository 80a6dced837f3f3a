"""Pictures in the projector's even light and without it, taken between two scenes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.guide.scene.scenes import DARK, LAMP, Scene
from projector.light.render import draw
from projector.table.devices import Table
from vision.frames.stillness import Stillness, observe, small_picture

Picture = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Taken:
    """Pictures of one moment, in each light alike but for their noise."""

    lit: tuple[Picture, ...]  # with the lamp on
    dark: tuple[Picture, ...]  # with it off: the room's light alone

    @property
    def steady(self) -> bool:
        """Whether nothing moved while they were taken, a hand for one."""
        return all(_alike(pictures) for pictures in (self.lit, self.dark))

    @property
    def latest(self) -> Picture:
        """What a person may be shown of it."""
        return self.lit[-1]


def _alike(pictures: Sequence[Picture]) -> bool:
    rest = Stillness()
    for picture in pictures:
        rest = observe(rest, small_picture(picture), 0.0)
    return rest.frames == len(pictures)


def take(table: Table, frames: int) -> Taken:
    """Take so many pictures in even light and in none, and throw the light back that was there. Raises CameraError.

    Without a projector they are of the room's light.
    """
    if not table.has_light:
        seen = tuple(table.looks(frames))
        return Taken(seen, (np.zeros_like(seen[0]),))  # there is no other light to be taken out
    before = table.shown
    lit, dark = (_in(table, scene, frames) for scene in (LAMP, DARK))
    if before is not None:
        table.throw(before)
    return Taken(lit, dark)


def _in(table: Table, scene: Scene, frames: int) -> tuple[Picture, ...]:
    table.throw(draw(scene, lambda points: points, table.display.size_px))
    return tuple(table.looks(frames))
