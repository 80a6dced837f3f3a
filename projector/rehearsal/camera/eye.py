"""What the camera sets by itself or is told to set: exposure, gain, colour balance, focus."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.light import Planes
from projector.rehearsal.setting import Setting

Plane = NDArray[np.float32]

FOLLOW_S = 0.3  # after which two thirds of what an automatic wants are done
GOAL = 0.18  # mean linear light that auto exposure wants
GAINS, BALANCES = (0.25, 8.0), (0.4, 2.5)
SCENE_CHANGE = 0.1  # of the mean light, relative: autofocus hunts again
BREATH, DEFOCUS_PX = 0.003, 0.8  # of focal length, and blur, at the end of where autofocus may settle


class Eye:
    """The camera's settings; those that are automatic follow what is seen, frame by frame."""

    def __init__(self, setting: Setting, rng: np.random.Generator) -> None:
        sensor = setting.sensor
        self._nominal_s, self._rng = sensor.exposure_s, rng
        self.deaf = sensor.deaf
        self.exposure_s, self.gain = sensor.exposure_s, 1.0
        self.auto_exposure, self.auto_white, self.autofocus = sensor.auto_exposure, sensor.auto_white, sensor.autofocus
        self._balance = np.ones(3)  # blue, green, red
        self._focus = self._wanted_focus = 0.0  # -1 to 1, 0 sharp
        self._seen: tuple[float, float] | None = None  # when, and how bright

    @property
    def focus(self) -> float:
        """From -1 to 1; 0 is sharp."""
        return self._focus

    @focus.setter
    def focus(self, value: float) -> None:
        self._focus = self._wanted_focus = float(np.clip(value, -1.0, 1.0))

    @property
    def ordinary(self) -> bool:
        """Whether a picture is what the sensor's own figures say."""
        automatic = self.auto_exposure or self.auto_white or self.autofocus
        return not automatic and self.factor == 1.0 and self._focus == 0.0 and bool(np.all(self._balance == 1.0))

    @property
    def factor(self) -> float:
        """By how much brighter a picture is than with the sensor's own exposure and no gain."""
        return self.exposure_s / self._nominal_s * self.gain

    def looks(self, linear: Planes, setting: Setting) -> Planes:
        """The light that counts: amplified, balanced, and as the focus stands."""
        amplified = [
            plane * np.float32(self.factor * share) for plane, share in zip(linear, self._balance, strict=True)
        ]
        if self._focus:
            amplified = [self._defocused(plane, setting.camera.centre_px) for plane in amplified]
        return amplified[0], amplified[1], amplified[2]

    def learns(self, seen: Planes, t_s: float) -> None:
        """Let the automatics work on a picture that was just taken."""
        blue, green, red = (float(np.clip(plane[::8, ::8], 1e-3, 1.0).mean()) for plane in seen)
        share = 1.0 if self._seen is None else 1.0 - float(np.exp(-(t_s - self._seen[0]) / FOLLOW_S))
        if self.auto_exposure:
            self.gain = float(np.clip(self.gain * (GOAL / green) ** share, *GAINS))
        if self.auto_white:
            wanted = np.array([green / blue, 1.0, green / red]) ** share
            self._balance = np.clip(self._balance * wanted, *BALANCES)
        if self.autofocus:
            if self._seen is None or abs(np.log(green / self._seen[1])) > SCENE_CHANGE:
                self._wanted_focus = float(self._rng.uniform(-1.0, 1.0))
            self._focus += share * (self._wanted_focus - self._focus)
        self._seen = t_s, green

    def _defocused(self, plane: Plane, centre_px: tuple[float, float]) -> Plane:
        """Larger or smaller about the principal point, and softer."""
        zoom = 1.0 + BREATH * self._focus
        matrix = np.array([[zoom, 0.0, centre_px[0] * (1.0 - zoom)], [0.0, zoom, centre_px[1] * (1.0 - zoom)]])
        size = plane.shape[1], plane.shape[0]
        there = cv2.warpAffine(plane, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        soft = cv2.GaussianBlur(there, (0, 0), max(DEFOCUS_PX * abs(self._focus), 0.05))
        return np.asarray(soft, dtype=np.float32)
