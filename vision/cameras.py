"""Where frames come from: the one module of `vision` that touches a device.

A camera is whatever `cv2.VideoCapture` opens (device index, video file, MJPEG address, image sequence) or a
folder of stills.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """One picture as the camera encoded it."""

    pixels: NDArray[np.uint8]  # (height, width, 3), blue green red, tone curve not undone
    t_s: float  # when it was taken, by the camera's clock
    name: str | None = None  # file it came from; None from a live camera


class CameraError(Exception):
    """No picture can be had; the message says in one line what to do."""


class Camera(Protocol):
    """Gives frames, one after the other."""

    def read(self) -> Frame:
        """Wait for the next frame. Raises CameraError when there are no more."""
        ...

    def close(self) -> None:
        """Let the device go."""
        ...
