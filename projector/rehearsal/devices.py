"""The virtual table behind the protocols of the real devices: camera, display and clock."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.camera.eye import GAINS
from projector.rehearsal.world import VirtualTable, WorldEndedError
from vision.frames.cameras import Automatic, CameraError, Frame, Knob

EXPOSURE_STEP_S = 1e-4
FRAME_S = 1 / 15  # what a webcam in full size gives in a dim room


class VirtualClock:
    """Time that passes when somebody lets it pass: a rehearsal is as fast as the machine."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def wait_s(self, seconds: float) -> None:
        self._now_s += max(0.0, seconds)


class VirtualCamera:
    """Gives a frame of the table at every tick of its own; frames that nobody waits for are never made."""

    def __init__(self, table: VirtualTable, clock: VirtualClock, frame_s: float = FRAME_S) -> None:
        self._table, self._clock, self._frame_s = table, clock, frame_s

    def read(self) -> Frame:
        """Let time pass until the next frame. Raises CameraError when the world has ended."""
        now = self._clock.now_s()
        tick = (math.floor(now / self._frame_s + 1e-6) + 1) * self._frame_s
        self._clock.wait_s(tick - now)
        try:
            return Frame(self._table.frame(tick), tick)
        except WorldEndedError as end:
            raise CameraError(str(end)) from end

    def close(self) -> None:
        """Nothing to let go: the table is closed by whoever owns it."""

    def hold(self, what: Automatic) -> bool:
        """Switch an automatic off; it stays where it stands."""
        eye = self._table.eye
        if eye.deaf:
            return False
        if what is Automatic.FOCUS:
            eye.autofocus = False
        elif what is Automatic.EXPOSURE:
            eye.auto_exposure = False
        else:
            eye.auto_white = False
        return True

    def turn(self, knob: Knob, value: float) -> float | None:
        """Set a value, in the steps and limits that the device has, and say what it is now."""
        eye = self._table.eye
        if eye.deaf:
            return None
        if knob is Knob.EXPOSURE_S:
            eye.exposure_s = float(np.clip(round(value, 4), EXPOSURE_STEP_S, self._frame_s))
        elif knob is Knob.GAIN:
            eye.gain = float(np.clip(value, *GAINS))
        elif knob is Knob.FOCUS:
            eye.focus = value
        return self.at(knob)

    def at(self, knob: Knob) -> float | None:
        """The value it has; the colour balance has no number."""
        eye = self._table.eye
        values = {Knob.EXPOSURE_S: eye.exposure_s, Knob.GAIN: eye.gain, Knob.FOCUS: eye.focus}
        return None if eye.deaf else values.get(knob)


class VirtualDisplay:
    """Throws pictures on the table. The keys are those that the virtual person presses."""

    def __init__(self, table: VirtualTable, clock: VirtualClock) -> None:
        self._table, self._clock = table, clock

    @property
    def size_px(self) -> tuple[int, int]:
        return self._table.projector_px

    def show(self, picture: NDArray[np.uint8]) -> None:
        """Hand a picture over; it is in the light one latency later."""
        self._table.project(picture, self._clock.now_s())

    def keys(self) -> list[str]:
        self._table.advance(self._clock.now_s())
        return self._table.keys()

    def close(self) -> None:
        """Nothing to give back."""
