"""What a camera's driver lets one set. Drivers lie, and ignore: whoever relies on a setting checks it by looking.

Values are the drivers' own, except that exposure is in seconds here. V4L2 counts it in 100 us and calls manual 1
(`V4L2_CID_EXPOSURE_ABSOLUTE`, `V4L2_EXPOSURE_MANUAL`: Linux kernel, "Camera Control Reference"); both of Windows'
interfaces take the logarithm of seconds to base 2 (`CameraControl_Exposure`: Microsoft, "CameraControlProperty").
Of other systems nothing is known: there exposure is left alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol, runtime_checkable

import cv2


class Automatic(Enum):
    """What a camera may do by itself."""

    FOCUS = "focus"
    EXPOSURE = "exposure"
    COLOUR = "colour"  # the balance of white


class Knob(Enum):
    """What can be set by hand."""

    EXPOSURE_S = "exposure"
    GAIN = "gain"
    FOCUS = "focus"
    COLOUR = "colour"  # the temperature of white


@runtime_checkable
class Adjustable(Protocol):
    """A camera with settings. Streams, recordings and folders have none."""

    def hold(self, what: Automatic) -> bool:
        """Switch an automatic off and stay where it stands. Whether the driver claims to have done so."""
        ...

    def turn(self, knob: Knob, value: float) -> float | None:
        """Set a value, and the value that the driver says it has then; None where it has no such knob."""
        ...

    def at(self, knob: Knob) -> float | None:
        """The value that the driver says it has; None where it has no such knob."""
        ...


class Capture(Protocol):
    """The part of `cv2.VideoCapture` that knows settings."""

    def get(self, propId: int) -> float: ...  # noqa: N803  (OpenCV's own name)

    def set(self, propId: int, value: float) -> bool: ...  # noqa: N803

    def getBackendName(self) -> str: ...  # noqa: N802


@dataclass(frozen=True, slots=True)
class _Exposure:
    """How an interface writes exposure."""

    manual: float  # of its automatic
    coded: Callable[[float], float]
    seconds: Callable[[float], float]


_V4L2 = _Exposure(1.0, lambda seconds: float(round(seconds * 1e4)), lambda value: value / 1e4)
_WINDOWS = _Exposure(0.0, math.log2, lambda value: 2.0**value)
_EXPOSURES = {"V4L2": _V4L2, "MSMF": _WINDOWS, "DSHOW": _WINDOWS}
_SWITCHES = {
    Automatic.FOCUS: (cv2.CAP_PROP_AUTOFOCUS, cv2.CAP_PROP_FOCUS),
    Automatic.EXPOSURE: (cv2.CAP_PROP_AUTO_EXPOSURE, cv2.CAP_PROP_EXPOSURE),
    Automatic.COLOUR: (cv2.CAP_PROP_AUTO_WB, cv2.CAP_PROP_WB_TEMPERATURE),
}
_KNOBS = {
    Knob.EXPOSURE_S: cv2.CAP_PROP_EXPOSURE,
    Knob.GAIN: cv2.CAP_PROP_GAIN,
    Knob.FOCUS: cv2.CAP_PROP_FOCUS,
    Knob.COLOUR: cv2.CAP_PROP_WB_TEMPERATURE,
}
_NO_SUCH = -1.0  # what `get` gives for a property that the driver does not have


class Driver:
    """The settings of one open capture."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._exposure = _EXPOSURES.get(capture.getBackendName())

    def hold(self, what: Automatic) -> bool:
        """As `Adjustable.hold`. Many drivers fall back to some old value when an automatic ends: it is set again."""
        if what is Automatic.EXPOSURE and self._exposure is None:
            return False
        off = self._exposure.manual if what is Automatic.EXPOSURE and self._exposure is not None else 0.0
        switch, value = _SWITCHES[what]
        stands = self._capture.get(value)
        if not self._capture.set(switch, off):
            return False
        if stands != _NO_SUCH:
            self._capture.set(value, stands)
        return self._capture.get(switch) == off

    def turn(self, knob: Knob, value: float) -> float | None:
        """As `Adjustable.turn`."""
        if knob is Knob.EXPOSURE_S:
            if self._exposure is None or value <= 0.0:
                return None
            value = self._exposure.coded(value)
        return self.at(knob) if self._capture.set(_KNOBS[knob], value) else None

    def at(self, knob: Knob) -> float | None:
        """As `Adjustable.at`."""
        value = self._capture.get(_KNOBS[knob])
        if knob is not Knob.EXPOSURE_S:
            return None if value == _NO_SUCH else value
        return None if self._exposure is None else _sensible(self._exposure.seconds(value))


def _sensible(seconds: float) -> float | None:
    """An exposure that a camera can have; drivers without one answer 0 or -1."""
    return seconds if 0.0 < seconds <= 1.0 else None


def switch_off_automatics(camera: object) -> tuple[Automatic, ...]:
    """Hold whatever a camera does by itself; what could not be switched off, or only by hand."""
    if not isinstance(camera, Adjustable):
        return tuple(Automatic)
    return tuple(what for what in Automatic if not camera.hold(what))
