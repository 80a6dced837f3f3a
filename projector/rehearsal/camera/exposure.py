"""The camera's sensor: light to 8-bit pixels, with shot and read noise. The pictures are generated, not
photographed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.curves import SRGB
from projector.rehearsal.light.light import Planes
from projector.rehearsal.setting import Sensor

Plane = NDArray[np.float32]

STEPS = 65535  # of the tables over linear light
SHARPENING_PX = 1.2  # SD of the unsharp mask
ROOM_PX = 96  # by how much a noise picture may be displaced


@dataclass(frozen=True, eq=False, slots=True)
class Developed:
    """A picture without noise, and how strong the noise is on every pixel, both in pixel values."""

    values: Planes
    noise: Planes


class Film:
    """Turns linear light into camera pictures; every picture gets noise of its own.

    The noise of a picture is a stretch of a large noise picture at a random place, either sign: as good as
    fresh for the eye and for averages of some hundred pictures, and ten times as fast.
    """

    def __init__(self, sensor: Sensor, size_px: tuple[int, int], rng: np.random.Generator) -> None:
        self._rng = rng
        self._size_px = size_px
        light = np.arange(STEPS + 1) / STEPS
        self._value = (255.0 * sensor.curve.encoded(light)).astype(np.float32)
        self._sensor = sensor
        self._noise_at = lru_cache(maxsize=4)(self._noise_of)
        shape = (size_px[1] + ROOM_PX, size_px[0] + ROOM_PX)
        self._bank = [rng.standard_normal(shape, dtype=np.float32) for _ in range(3)]

    def _noise_of(self, gain: float) -> Plane:
        """Noise in pixel values over linear light, an amplifier of `gain` behind the sensor.

        Light x is gathered as x / gain; what reading and counting add to that is amplified with it.
        """
        sensor, light = self._sensor, np.arange(STEPS + 1) / STEPS
        grey_var = (0.18 / 10 ** (sensor.snr_grey_db / 20)) ** 2
        shot = (grey_var - sensor.read_noise**2) / 0.18
        noise = gain * np.sqrt(sensor.read_noise**2 + shot * light / gain)
        if sensor.curve == SRGB:
            return np.asarray(np.gradient(255.0 * sensor.curve.encoded(light), light) * noise, dtype=np.float32)
        ends = [255.0 * sensor.curve.encoded(np.clip(light + sign * noise, 0.0, 1.0)) for sign in (-1.0, 1.0)]
        return np.asarray((ends[1] - ends[0]) / 2, dtype=np.float32)  # a power has no slope at 0

    def develop(self, linear: Planes, gain: float = 1.0) -> Developed:
        """Through the tone curve, the noise yet to come. Planes of any one size, the gain already in them."""
        index = [np.clip(plane * np.float32(STEPS), 0, STEPS).astype(np.uint16) for plane in linear]
        values = tuple(np.take(self._value, i) for i in index)
        noise = tuple(np.take(self._noise_at(gain), i) for i in index)
        return Developed((values[0], values[1], values[2]), (noise[0], noise[1], noise[2]))

    def expose(self, developed: Developed) -> NDArray[np.uint8]:
        """One camera picture (rows, columns, 3) uint8 of it."""
        rows, columns = developed.values[0].shape
        channels = []
        for value, noise, bank in zip(developed.values, developed.noise, self._bank, strict=True):
            v = int(self._rng.integers(bank.shape[0] - rows + 1))
            u = int(self._rng.integers(bank.shape[1] - columns + 1))
            sign = float(self._rng.choice((-1.0, 1.0)))
            grain = cv2.multiply(bank[v : v + rows, u : u + columns], noise, scale=sign)
            channels.append(cv2.add(value, grain, dtype=cv2.CV_8U))
        return self._sharpened(np.asarray(cv2.merge(channels), dtype=np.uint8))

    def _sharpened(self, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """An unsharp mask, as the camera's own processor lays it over its values, noise and all."""
        share = self._sensor.sharpening
        if share == 0.0:
            return picture
        soft = cv2.GaussianBlur(picture, (0, 0), SHARPENING_PX)
        return np.asarray(cv2.addWeighted(picture, 1.0 + share, soft, -share, 0.0), dtype=np.uint8)


def mixed(parts: list[tuple[float, Planes]]) -> Planes:
    """Light gathered while the scene changed: weights that add up to 1, and linear planes."""
    b, g, r = (np.asarray(sum(np.float32(w) * p[k] for w, p in parts), dtype=np.float32) for k in range(3))
    return b, g, r
