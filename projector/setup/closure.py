"""Close the loop: light is told where to land, the camera says where it landed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.mat.dots import Dots, dot_picture
from calibration.rig import Rig
from projector.setup.looking import LAMP, even, mean_picture
from projector.table.devices import Picture, Table

Floats = NDArray[np.float64]

FRAMES = 4
FEWEST = 6


@dataclass(frozen=True, eq=False, slots=True)
class DotPictures:
    """The table with dots of light, dark, and evenly lit; nothing moved in between."""

    lit: Picture
    dark: Picture
    even: Picture


@dataclass(frozen=True, eq=False, slots=True)
class Closure:
    """Where light was sent, and where the camera saw it: NaN for what it did not see. Both (N, 2), mat frame, mm."""

    told_mat_mm: Floats
    seen_mat_mm: Floats

    @property
    def off_mm(self) -> Floats:
        """(M,) distances of those seen."""
        off = np.linalg.norm(self.seen_mat_mm - self.told_mat_mm, axis=1)
        return np.asarray(off[np.isfinite(off)])

    @property
    def rms_mm(self) -> float:
        return float(np.sqrt(np.mean(self.off_mm**2)))

    @property
    def worst_mm(self) -> float:
        return float(self.off_mm.max())


def dot_pictures(table: Table, rig: Rig, dots: Dots, frames: int = FRAMES) -> DotPictures:
    """Show dots, nothing and even light, and look at each."""
    size_px = table.display.size_px
    taken = []
    for picture in (dot_picture(dots, size_px), even(size_px, 0.0), even(size_px, LAMP)):
        table.throw(picture)
        taken.append(mean_picture(table.looks(frames), rig.tone))
    return DotPictures(*taken)


def closure(rig: Rig, seen: Dots) -> Closure | None:
    """How well the loop closes by dots that were seen; None of too few. Raises ValueError without a projector."""
    if rig.projector is None:
        raise ValueError("this rig has no projector")
    if seen.seen.sum() < FEWEST:
        return None
    told = rig.projector.pinhole.mat_from_px(seen.projector_px)
    return Closure(told, rig.camera.pinhole.mat_from_px(seen.camera_px))
