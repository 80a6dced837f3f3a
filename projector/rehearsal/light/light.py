"""Light: what the projector makes of its pixels, and what of it comes back from the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.curves import linear_from_srgb
from projector.rehearsal.light.scaler import scaled
from projector.rehearsal.setting import Beam, Setting
from projector.rehearsal.things.layers import Box, Layer
from projector.rehearsal.things.relief import Shade

Plane = NDArray[np.float32]
Planes = tuple[Plane, Plane, Plane]

# A projected pixel on the table: a triangle between pixel middles, blurred by this kernel. Its variance is
# that of a square pixel (1/12) and an optical blur of 0.5 px (1/4): 1/6 + 2/12 = 1/3.
SPREAD = np.array([1.0, 10.0, 1.0], np.float32) / 12.0


VALUES = np.arange(256) / 255.0
LINEAR = linear_from_srgb(VALUES).astype(np.float32)  # of every pixel value


@dataclass(frozen=True, eq=False, slots=True)
class Thrown:
    """The light of one picture on the projector's own grid, three planes or one and the same three times."""

    planes: Planes
    colour_bgr: tuple[float, float, float]


def thrown(picture: NDArray[np.uint8], beam: Beam) -> Thrown:
    """The light that leaves the lens for a picture (rows, columns, 3) uint8."""
    table = (beam.black + (1.0 - beam.black) * beam.curve.light(VALUES).astype(np.float32)).astype(np.float32)
    picture = scaled(picture, beam.trapezoid, beam.overscan)

    def spread(channel: NDArray[np.uint8]) -> Plane:
        light = cv2.LUT(channel, table)
        smooth = cv2.sepFilter2D(light, cv2.CV_32F, SPREAD, SPREAD, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(smooth, dtype=np.float32)

    blue, green, red = cv2.split(picture)
    if cv2.norm(blue, green, cv2.NORM_INF) == 0 and cv2.norm(blue, red, cv2.NORM_INF) == 0:
        grey = spread(np.asarray(blue, np.uint8))
        return Thrown((grey, grey, grey), beam.colour_bgr)
    b, g, r = (spread(np.asarray(channel, np.uint8)) for channel in (blue, green, red))
    return Thrown((b, g, r), beam.colour_bgr)


def lampless(size_px: tuple[int, int]) -> Thrown:
    """The projector with its lamp out: not even its black."""
    dark = np.zeros((size_px[1], size_px[0]), np.float32)
    return Thrown((dark, dark, dark), (1.0, 1.0, 1.0))


def lamplight(layer: Layer, light: Thrown) -> Planes:
    """The projector's light that falls on every camera pixel's spot of a layer."""
    fallen: dict[int, Plane] = {}
    for plane in light.planes:
        if id(plane) not in fallen:
            there = cv2.remap(
                plane,
                layer.lit_x_px,
                layer.lit_y_px,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=0.0,
            )
            fallen[id(plane)] = np.asarray(there * layer.facing, dtype=np.float32)
    b, g, r = (
        np.float32(colour) * fallen[id(plane)] for colour, plane in zip(light.colour_bgr, light.planes, strict=True)
    )
    return b, g, r


def reflected(layer: Layer, light: Thrown) -> Planes:
    """Light that comes back from a layer, its coverage counted."""
    planes = []
    for colour, room, lamp in zip(layer.colour, layer.room, lamplight(layer, light), strict=True):
        plane = colour * (room + lamp)
        if layer.shine is not None:
            plane = plane + layer.shine * lamp
        planes.append(plane if layer.glare is None else plane + layer.glare)
    return planes[0], planes[1], planes[2]


def shaded(bare: Planes, mat: Layer, light: Thrown, shades: Sequence[Shade]) -> Planes:
    """The bare mat's light in the shade of what lies on it."""
    planes = [plane.copy() for plane in bare]
    for shade in shades:
        part = crop(mat, shade.box)
        for plane, room, lamp in zip(planes, part.room, lamplight(part, light), strict=True):
            plane[shade.box] *= (room * shade.room + lamp * shade.lamp) / np.maximum(room + lamp, np.float32(1e-9))
    return planes[0], planes[1], planes[2]


def crop(layer: Layer, box: Box) -> Layer:
    """A part of a layer that fills the picture."""
    blue, green, red = (np.ascontiguousarray(plane[box]) for plane in layer.colour)
    room_b, room_g, room_r = (np.ascontiguousarray(plane[box]) for plane in layer.room)
    x, y, facing, cover = (
        np.ascontiguousarray(plane[box]) for plane in (layer.lit_x_px, layer.lit_y_px, layer.facing, layer.cover)
    )
    return Layer(box, cover, (blue, green, red), x, y, facing, (room_b, room_g, room_r))


def picture_of(setting: Setting, mat: Planes, above: tuple[Layer, ...], light: Thrown) -> Planes:
    """Linear light on the camera's pixels, full scale 1, blurred by its lens. `mat` is the bare mat's
    light."""
    planes = [plane.copy() for plane in mat]
    for layer in above:
        bare = 1.0 - layer.cover
        for plane, back in zip(planes, reflected(layer, light), strict=True):
            plane[layer.box] = plane[layer.box] * bare + back
    dim = vignette(setting)
    size = 2 * int(np.ceil(4 * setting.sensor.blur_px)) + 1
    b, g, r = (
        np.asarray(cv2.GaussianBlur(plane, (size, size), setting.sensor.blur_px) * dim, dtype=np.float32)
        for plane in planes
    )
    return b, g, r


@lru_cache(maxsize=4)
def vignette(setting: Setting) -> Plane:
    """Gain of every camera pixel."""
    width, height = setting.camera.size_px
    u = (np.arange(width, dtype=np.float32) - width / 2) ** 2
    v = (np.arange(height, dtype=np.float32) - height / 2) ** 2
    r2 = (u[None, :] + v[:, None]) / np.float32(width**2 / 4 + height**2 / 4)
    return np.asarray(setting.sensor.gain * (1.0 - setting.sensor.vignetting * r2), dtype=np.float32)
