"""A small table whose every pixel is known: cloth on a dark mat, 900 x 600 pixels of 0.4 mm, drawn, not measured.

The pieces' shares of pixels are exact; optics, noise, curve and bytes follow (`exact_cloth.py`, `exact_cover.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from tests.measure.edge_bound import least_offset_sd
from tests.vision.exact_cloth import Bgr, Cloth, Mat, Print, grey, light_on_pixels
from tests.vision.exact_cover import Floats, Floats32, Picture, Sensor, View, encode, tone_slope

SIZE_PX = (900, 600)
MM_PER_PX = 0.4
VIEW = View(SIZE_PX, MM_PER_PX, middle_px=(431.3, 307.8))
NOISE_SD = 1.0 / 63.0  # of full scale, in linear light at 18 % grey
SENSOR = Sensor()
MAT = 0.08  # linear light
BLUR_PX = SENSOR.blur_px  # with the pixel's own square


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """A piece of cloth: simple outline (N, 2) in mat mm, linear light; beyond the seam's left side a second fabric."""

    corners_mat_mm: Floats
    light: Bgr = (0.6, 0.6, 0.6)
    seam_mat_mm: Floats | None = None  # (2, 2)
    second: Bgr = (0.3, 0.3, 0.3)
    dots: Bgr | None = None
    dots_mm: tuple[float, float] = (7.3, 2.1)  # pitch and radius
    weave: float = 0.0  # of the cloth's light, up and down

    def cloth(self) -> Cloth:
        fabric: Bgr | Print = self.light
        if self.dots is not None:
            pitch, radius = self.dots_mm
            fabric = Print("dots", self.light, (self.dots,) * 3, pitch, math.pi * (radius / pitch) ** 2)
        return Cloth(self.corners_mat_mm, fabric, self.seam_mat_mm, self.second, self.weave)


def camera() -> Pinhole:
    """The camera that sees these pictures."""
    return VIEW.camera()


def everywhere() -> NDArray[np.bool_]:
    """All of the picture shows the mat."""
    return np.ones((SIZE_PX[1], SIZE_PX[0]), bool)


def picture(
    *pieces: Piece, seed: int = 1, exposure: float = 1.0, noise_sd: float = NOISE_SD, left: Floats32 | None = None
) -> Picture:
    """What the camera gives, (600, 900, 3) blue green red; without pieces the empty mat.

    `left` (600, 900) or (600, 900, 3) is what something above the table leaves of the light.
    """
    light = light_on_pixels(VIEW, Mat(), [piece.cloth() for piece in pieces], optics_px=SENSOR.optics_px)
    if left is not None:
        light = light * (left if left.ndim == 3 else left[..., None])
    return encode(light * np.float32(exposure), _sensor(noise_sd), seed)


def variance(light: float, noise_sd: float = NOISE_SD) -> float:
    """Of one pixel's noise at a level of linear light."""
    return float(_sensor(noise_sd).variance(np.array(light)))


def least_offset_sd_px(cloth: Bgr, length_px: float, noise_sd: float = NOISE_SD) -> float:
    """Cramer-Rao bound of an edge's offset on the bare mat from all three channels, levels and blur known."""
    return least_offset_sd(cloth, grey(MAT), _sensor(noise_sd), length_px)


def mm_of_px(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Pixel coordinates to mat mm."""
    places = VIEW.mm_of_px(np.stack([x, y], axis=-1))
    return places[..., 0], places[..., 1]


def px_of_mm(points_mat_mm: Floats) -> Floats:
    """Mat mm (N, 2) to pixel coordinates (N, 2)."""
    return VIEW.px_of_mm(points_mat_mm)


def _sensor(noise_sd: float) -> Sensor:
    return Sensor(noise_db=-20.0 * math.log10(noise_sd * float(tone_slope(0.18))))
