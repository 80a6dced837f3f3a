"""What stands over the mat, and since when: camera and projector are bumped, or the mat is pushed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import bumped
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.sizes import MAT_MM
from projector.rehearsal.truth import Placing

Floats = NDArray[np.float64]

DEVICES = ("camera", "projector", "mount", "mat")


class Stand:
    """The settings of a table, each from its time on. The world's frame is the mat's, wherever that is pushed."""

    def __init__(self, setting: Setting) -> None:
        self._settings = [(-np.inf, setting)]

    def at(self, t_s: float) -> Setting:
        return next(setting for since, setting in reversed(self._settings) if since <= t_s)

    @property
    def placings(self) -> tuple[Placing, ...]:
        return tuple(Placing(since, setting.camera, setting.projector) for since, setting in self._settings)

    @property
    def last(self) -> Setting:
        return self._settings[-1][1]

    def bump(self, device: str, shift_mm: Floats, turn_rad: Floats, t_s: float) -> None:
        """From `t_s` on a device is elsewhere: turned about its lens by a rotation vector (3,), shifted by (3,).

        A "mount" holds both devices and turns about the middle between their lenses. A "mat" slides and turns on the
        table, about its middle, with all that lies on it.
        """
        if device not in DEVICES or t_s < self._settings[-1][0]:
            raise ValueError(f"one of {', '.join(DEVICES)} is bumped, one after the other, not {device} at {t_s:g} s")
        camera, projector = self.last.camera, self.last.projector
        if device == "mat" and (shift_mm[2] != 0.0 or np.any(turn_rad[:2] != 0.0)):
            raise ValueError("a mat slides and turns on the table; it is not lifted")
        if device == "camera":
            moved = replace(self.last, camera=bumped(camera, shift_mm, turn_rad, camera.at_mm))
        elif device == "projector":
            moved = replace(self.last, projector=bumped(projector, shift_mm, turn_rad, projector.at_mm))
        elif device == "mount":
            about = (camera.at_mm + projector.at_mm) / 2
            moved = _both(self.last, shift_mm, turn_rad, about)
        else:
            moved = _both(self.last, -_turned(shift_mm, -turn_rad[2]), -turn_rad, np.array([*MAT_MM, 0.0]) / 2)
        self._settings.append((t_s, moved))


def _both(setting: Setting, shift_mm: Floats, turn_rad: Floats, about_mm: Floats) -> Setting:
    return replace(
        setting,
        camera=bumped(setting.camera, shift_mm, turn_rad, about_mm),
        projector=bumped(setting.projector, shift_mm, turn_rad, about_mm),
    )


def _turned(vector_mm: Floats, angle_rad: float) -> Floats:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([c * vector_mm[0] - s * vector_mm[1], s * vector_mm[0] + c * vector_mm[1], vector_mm[2]])
