"""A picture laid flat: the mat's plane seen from above, in linear light, so many cells a millimetre."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.mat.inplane import turn_matrix
from calibration.pinhole import Pinhole
from calibration.tone import Tone

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Picture = NDArray[np.uint8]

NODE = 16  # cells between the places where the lens is followed exactly
RIM_PX = 4.0


@dataclass(frozen=True, eq=False, slots=True)
class FlatMap:
    """Light (rows, columns, channels) over a box in axes turned against the rig's; NaN where nothing is seen."""

    light: Plane
    first_mm: tuple[float, float]  # middle of cell (0, 0), in the turned axes; rows go up
    pitch_mm: float
    turn_rad: float  # of the map's axes in the rig's frame, counter-clockwise

    def x_mm(self, columns: Floats) -> Floats:
        """Of columns."""
        return np.asarray(self.first_mm[0] + self.pitch_mm * columns)

    def y_mm(self, rows: Floats) -> Floats:
        """Of rows."""
        return np.asarray(self.first_mm[1] + self.pitch_mm * rows)


def linear(picture: Picture, tone: Tone) -> Plane:
    """(h, w, channels) linear light of a grey or colour picture."""
    light = tone.linear_of_byte.astype(np.float32)[picture]
    return light[:, :, None] if light.ndim == 2 else light


def laid_flat(light: Plane, camera: Pinhole, box_mm: tuple[float, ...], turn_rad: float, pitch_mm: float) -> FlatMap:
    """Linear light over a box (x0, y0, x1, y1) in axes turned by `turn_rad` against the rig's frame."""
    x0, y0, x1, y1 = box_mm
    columns, rows = (int(np.ceil(side / pitch_mm)) + 1 for side in (x1 - x0, y1 - y0))
    step = NODE * pitch_mm
    x, y = (first + step * np.arange(-(-count // NODE) + 1) for first, count in ((x0, columns), (y0, rows)))
    nodes = np.stack(np.meshgrid(x, y), axis=-1)
    px = seen_px(camera, nodes @ turn_matrix(turn_rad).T)
    at = np.arange(columns, dtype=np.float32) / NODE, np.arange(rows, dtype=np.float32) / NODE
    u, v = np.meshgrid(*at)
    maps = [cv2.remap(np.ascontiguousarray(px[..., k], np.float32), u, v, cv2.INTER_LINEAR) for k in (0, 1)]
    flat = [
        cv2.remap(np.ascontiguousarray(light[..., k]), maps[0], maps[1], cv2.INTER_LINEAR, borderValue=float("nan"))
        for k in range(light.shape[2])
    ]
    return FlatMap(np.stack(flat, axis=-1), (x0, y0), pitch_mm, turn_rad)


def seen_px(camera: Pinhole, points_mm: Floats) -> Floats:
    """Pixels of points (..., 2) that the camera sees; far outside for those it does not, so that nothing is read."""
    px = camera.px_from_mat(points_mm)
    back = camera.mat_from_px(px)
    with np.errstate(invalid="ignore"):
        bad = ~(np.abs(back - points_mm).max(axis=-1) < 0.5)
    depth = points_mm @ camera.rotation[2, :2] + camera.translation_mm[2]
    px[bad | (depth <= 0)] = -1e4
    return px
