"""The mat on its wooden table: colour, printed grid, stains, and spots where a gloss mirrors lamps into the lens."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import Optics
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.layers import Layer, Sights, fall_off, room_light
from projector.rehearsal.things.matprint import mat_print
from projector.rehearsal.things.sizes import MAT_MM

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Colour = tuple[float, float, float]

# Linear reflectance of mat and grid, blue green red.
LOOKS_BGR: dict[str, tuple[Colour, Colour]] = {
    "dark": ((0.075, 0.092, 0.060), (0.20, 0.23, 0.18)),
    "green": ((0.10, 0.19, 0.055), (0.42, 0.50, 0.36)),
    "light": ((0.56, 0.58, 0.57), (0.20, 0.21, 0.22)),
    "red": ((0.035, 0.028, 0.24), (0.30, 0.30, 0.48)),
}
WOOD_BGR = (0.10, 0.17, 0.26)
GLOSS_MM = 14.0  # SD of a mirrored lamp's spot
LAMP = 12.0  # light of a ceiling lamp over that of the room it lights, as a gloss of 1 mirrors it
STAIN_MM = (6.0, 30.0)


@dataclass(frozen=True, eq=False, slots=True)
class Skin:
    """What is the mat's own: unevenness as the first camera saw it, stains, where a ceiling lamp is mirrored."""

    mottle: Plane
    camera: Optics
    stains_mat_mm: Floats  # (N, 4): x, y, radius, factor on the colour
    lamp_mat_mm: Floats  # (2,)

    def mottle_on(self, seen: Sights, camera: Optics) -> Plane:
        """The unevenness as a camera sees it that may have been moved since."""
        if camera is self.camera:
            return self.mottle
        before = self.camera.px_from_level(np.stack([seen.x_mm, seen.y_mm], axis=-1), 0.0).astype(np.float32)
        x, y = (np.ascontiguousarray(before[..., k]) for k in (0, 1))
        was = cv2.remap(self.mottle, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        return np.asarray(was, dtype=np.float32)


def skin_of(setting: Setting, rng: np.random.Generator, special: np.random.Generator) -> Skin:
    """A mat of its own; chance beyond the ordinary is drawn from `special`."""
    count = setting.mat.stains
    stains = np.column_stack(
        [
            special.uniform([0.0, 0.0], MAT_MM, (count, 2)),
            special.uniform(*STAIN_MM, count),
            special.choice([0.5, 0.7, 1.6, 2.2], count),
        ]
    )
    lamp = np.array(MAT_MM) * special.uniform(0.25, 0.75, 2)
    width, height = setting.camera.size_px
    return Skin(_mottle(rng, (height, width)), setting.camera, stains, lamp)


def mat_layer(setting: Setting, seen: Sights, skin: Skin) -> Layer:
    """The mat with its printed grid on a wooden table; it fills the picture."""
    drawn = mat_print(seen.x_mm, seen.y_mm, setting.mat.beyond_mm, setting.mat.grid, setting.sensor.blur_px)
    surface_of = skin.mottle_on(seen, setting.camera)
    if len(skin.stains_mat_mm):
        surface_of = surface_of * _stains(skin.stains_mat_mm, seen)
    planes = []
    for mat, line, wood in zip(*LOOKS_BGR[setting.mat.look], WOOD_BGR, strict=True):
        bare = wood + (mat * surface_of - wood) * drawn.on_mat
        planes.append(np.asarray(bare + (line - mat) * drawn.lines, dtype=np.float32))
    shine, glare = _gloss(setting, seen, skin.lamp_mat_mm)
    return Layer(
        (slice(0, seen.x_mm.shape[0]), slice(0, seen.x_mm.shape[1])),
        np.ones_like(drawn.on_mat),
        (planes[0], planes[1], planes[2]),
        seen.lit_x_px,
        seen.lit_y_px,
        fall_off(setting, seen.lit_x_px, seen.lit_y_px),
        room_light(setting, seen.x_mm, seen.y_mm),
        shine,
        glare,
    )


def mirror_point_mm(camera: Optics, projector: Optics) -> Floats:
    """Where on the mat, (2,), a mirror would show the camera the projector's lens: as high as deep, as in a mirror."""
    eye, lamp = camera.at_mm, projector.at_mm
    return np.asarray((eye[:2] * lamp[2] + lamp[:2] * eye[2]) / (eye[2] + lamp[2]))


def _gloss(setting: Setting, seen: Sights, lamp_mat_mm: Floats) -> tuple[Plane | None, Plane | None]:
    if setting.mat.gloss == 0.0:
        return None, None
    shine = setting.mat.gloss * _spot(seen, mirror_point_mm(setting.camera, setting.projector))
    glare = setting.mat.gloss * LAMP * setting.room.level * _spot(seen, lamp_mat_mm)
    return shine.astype(np.float32), glare.astype(np.float32)


def _spot(seen: Sights, middle_mm: Floats) -> Plane:
    off2 = (seen.x_mm - middle_mm[0]) ** 2 + (seen.y_mm - middle_mm[1]) ** 2
    return np.asarray(np.exp(-0.5 * off2 / GLOSS_MM**2), dtype=np.float32)


def _stains(stains_mat_mm: Floats, seen: Sights) -> Plane:
    """Round blots with soft rims, as a factor on the mat's colour."""
    factor = np.ones_like(seen.x_mm)
    for x, y, radius, strength in stains_mat_mm:
        inside = np.clip((radius + 1.0 - np.hypot(seen.x_mm - x, seen.y_mm - y)) / 2.0, 0.0, 1.0)
        factor *= 1.0 + np.float32(strength - 1.0) * inside
    return np.asarray(factor, dtype=np.float32)


def _mottle(rng: np.random.Generator, shape: tuple[int, ...]) -> Plane:
    """Slow and fine unevenness of the mat's colour, about 1."""
    slow = cv2.resize(rng.normal(0.0, 0.02, (30, 54)).astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    quick = cv2.GaussianBlur(rng.normal(0.0, 0.04, shape).astype(np.float32), (0, 0), 1.0)
    return np.asarray(1.0 + slow + quick, dtype=np.float32)
