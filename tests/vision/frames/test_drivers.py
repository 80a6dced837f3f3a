"""Settings through drivers that obey, that ignore and that lie. The drivers are made up.

V4L2's units and numbers are the Linux kernel's ("Camera Control Reference": exposure in 100 us, manual = 1, automatic
by aperture priority = 3); Windows counts exposure as the logarithm of seconds to base 2 ("CameraControlProperty").
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.frames.cameras import DeviceCamera
from vision.frames.drivers import Adjustable, Automatic, Driver, Knob, switch_off_automatics

AUTO = 3.0


@dataclass
class FakeCapture:
    """A camera's driver. `obeys`: properties that really change; `claims`: those that it says it has set."""

    backend: str = "V4L2"
    values: dict[int, float] = field(default_factory=dict)
    obeys: frozenset[int] | None = None
    claims: frozenset[int] | None = None
    opened: bool = True

    def get(self, propId: int) -> float:  # noqa: N803
        return self.values.get(propId, -1.0)

    def set(self, propId: int, value: float) -> bool:  # noqa: N803
        obeys = propId in self.values and (self.obeys is None or propId in self.obeys)
        if obeys:
            self.values[propId] = value
        return obeys or (self.claims is not None and propId in self.claims)

    def getBackendName(self) -> str:  # noqa: N802
        return self.backend

    def grab(self) -> bool:
        time.sleep(0.01)
        return self.opened

    def retrieve(self) -> tuple[bool, NDArray[np.uint8]]:
        return True, np.zeros((4, 6, 3), np.uint8)

    def release(self) -> None:
        self.opened = False


def obedient(backend: str = "V4L2") -> FakeCapture:
    return FakeCapture(
        backend,
        {
            cv2.CAP_PROP_AUTOFOCUS: 1.0,
            cv2.CAP_PROP_FOCUS: 35.0,
            cv2.CAP_PROP_AUTO_EXPOSURE: AUTO,
            cv2.CAP_PROP_EXPOSURE: 157.0,
            cv2.CAP_PROP_AUTO_WB: 1.0,
            cv2.CAP_PROP_WB_TEMPERATURE: 4600.0,
            cv2.CAP_PROP_GAIN: 20.0,
        },
    )


class ForgetfulCapture(FakeCapture):
    """Where an automatic ends, the value falls back to what was set by hand some other day."""

    def set(self, propId: int, value: float) -> bool:  # noqa: N803
        done = super().set(propId, value)
        if propId == cv2.CAP_PROP_AUTOFOCUS:
            self.values[cv2.CAP_PROP_FOCUS] = 0.0
        return done


def test_a_driver_that_obeys_holds_everything_where_it_stands() -> None:
    capture = obedient()
    driver = Driver(capture)
    assert switch_off_automatics(driver) == ()
    assert capture.get(cv2.CAP_PROP_AUTO_EXPOSURE) == 1.0
    assert (capture.get(cv2.CAP_PROP_AUTOFOCUS), capture.get(cv2.CAP_PROP_AUTO_WB)) == (0.0, 0.0)
    assert (driver.at(Knob.FOCUS), driver.at(Knob.COLOUR)) == (35.0, 4600.0)


def test_focus_stays_where_the_automatic_had_put_it() -> None:
    capture = ForgetfulCapture(values=obedient().values)
    assert Driver(capture).hold(Automatic.FOCUS)
    assert capture.get(cv2.CAP_PROP_FOCUS) == 35.0


def test_a_driver_that_ignores_is_reported() -> None:
    capture = obedient()
    capture.obeys = frozenset({cv2.CAP_PROP_AUTO_WB})
    assert switch_off_automatics(Driver(capture)) == (Automatic.FOCUS, Automatic.EXPOSURE)


def test_a_driver_that_claims_without_doing_is_found_out_by_reading_back() -> None:
    capture = obedient()
    capture.obeys = frozenset()
    capture.claims = frozenset(capture.values)
    driver = Driver(capture)
    assert switch_off_automatics(driver) == tuple(Automatic)
    assert driver.turn(Knob.EXPOSURE_S, 1 / 60) == pytest.approx(0.0157)


def test_a_camera_without_a_lens_motor_has_no_focus() -> None:
    capture = obedient()
    del capture.values[cv2.CAP_PROP_FOCUS]
    assert Driver(capture).turn(Knob.FOCUS, 10.0) is None
    assert Driver(capture).at(Knob.FOCUS) is None


def test_exposure_is_written_in_each_interfaces_own_unit() -> None:
    capture = obedient()
    assert Driver(capture).turn(Knob.EXPOSURE_S, 1 / 60) == pytest.approx(1 / 60, abs=5e-5)
    assert capture.get(cv2.CAP_PROP_EXPOSURE) == 167.0
    for backend in ("MSMF", "DSHOW"):
        windows = obedient(backend)
        assert Driver(windows).turn(Knob.EXPOSURE_S, 1 / 64) == pytest.approx(1 / 64)
        assert windows.get(cv2.CAP_PROP_EXPOSURE) == -6.0


def test_of_an_unknown_interface_exposure_is_left_alone() -> None:
    driver = Driver(obedient("AVFOUNDATION"))
    assert driver.turn(Knob.EXPOSURE_S, 1 / 60) is None
    assert driver.at(Knob.EXPOSURE_S) is None
    assert not driver.hold(Automatic.EXPOSURE)
    assert driver.hold(Automatic.FOCUS)


@pytest.mark.parametrize("silent", [0.0, -1.0])
def test_a_driver_that_does_not_know_its_exposure_says_none(silent: float) -> None:
    capture = obedient()
    capture.values[cv2.CAP_PROP_EXPOSURE] = silent
    assert Driver(capture).at(Knob.EXPOSURE_S) is None


def test_a_folder_or_a_stream_can_switch_nothing_off() -> None:
    assert switch_off_automatics(object()) == tuple(Automatic)


class RealClock:
    def now_s(self) -> float:
        return time.monotonic()


def test_settings_go_through_the_thread_that_reads_and_frames_go_on() -> None:
    camera = DeviceCamera(obedient(), "camera 0", RealClock())
    try:
        assert isinstance(camera, Adjustable)
        assert switch_off_automatics(camera) == ()
        assert camera.turn(Knob.EXPOSURE_S, 0.01) == pytest.approx(0.01)
        assert camera.at(Knob.GAIN) == 20.0
        assert camera.read().pixels.shape == (4, 6, 3)
    finally:
        camera.close()
