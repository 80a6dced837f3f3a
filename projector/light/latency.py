"""How long light takes from the program to the camera's frame: measured by blinking.

No frame taken earlier than this after a picture was shown may be used for anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.light.display import Display
from projector.table.clock import Clock
from vision.frames.cameras import Camera
from vision.frames.stillness import small_picture

Floats = NDArray[np.float64]

BLINKS = 2  # each on and off again
REST_S, REST_FRAMES = 0.25, 4  # so long the light must stay as it is
PATIENCE_S = 2.0  # no chain of projector and camera is slower
SETTLED = 0.95  # share of the change that counts as all of it
SEEN_SHARE = 0.02  # of the picture must change for the light to be seen
SEEN_STEP = 0.02  # of full scale, in the root of linear light


@dataclass(frozen=True, slots=True)
class NotSeen:
    """The camera does not see the projector's light."""

    why: str = "the camera sees no change when the projector blinks"
    do: str = "point the camera at the mat, take the lens cap off, and check that the projector shows this window"


def measure_latency(display: Display, camera: Camera, clock: Clock, pace_s: float = 0.0) -> float | NotSeen:
    """Seconds after `show` from which frames hold the new light alone: the slowest of the changes, a frame more.

    The light changes four times, each after `pace_s` at least, and never sooner than `REST_S`. The display is left
    dark. Raises CameraError if the camera gives no frames.
    """
    width, height = display.size_px
    dark, lit = (np.full((height, width, 3), level, np.uint8) for level in (0, 255))
    before = _after_patience(display, camera, clock, dark)
    slowest_s = 0.0
    for picture in [lit, dark] * BLINKS:
        clock.wait_s(pace_s)
        display.show(picture)
        change = _watched(camera, clock.now_s(), before)
        if change is None:
            return NotSeen()
        slowest_s = max(slowest_s, change.settled_s())
        before = change.pictures[-1]
    return slowest_s


@dataclass(frozen=True, eq=False, slots=True)
class _Change:
    """Small pictures during a change of light that came to rest, and the one before it."""

    after_s: Floats  # (N,) since the change was asked for
    pictures: Floats  # (N, h, w)
    before: Floats  # (h, w)

    def settled_s(self) -> float:
        """When the change was over in all that changed, with a frame's time added."""
        change = self.pictures[-1] - self.before
        weights = np.where(np.abs(change) > SEEN_STEP, change, 0.0)
        done = np.tensordot(self.pictures - self.before, weights, axes=2) / np.sum(weights * change)
        not_yet = np.flatnonzero(np.abs(done - 1.0) > 1.0 - SETTLED)
        first = int(not_yet[-1]) + 1 if len(not_yet) else 0
        frame_s = float(np.median(np.diff(self.after_s)))
        return float(self.after_s[first]) + frame_s


def _after_patience(display: Display, camera: Camera, clock: Clock, picture: NDArray[np.uint8]) -> Floats:
    """Show a picture and wait until any light must have come through; what is seen then."""
    display.show(picture)
    shown_s = clock.now_s()
    while (frame := camera.read()).t_s - shown_s < PATIENCE_S:
        pass
    return small_picture(frame.pixels)


def _watched(camera: Camera, shown_s: float, before: Floats) -> _Change | None:
    """Look on until the light has changed and rests; None if it does not change."""
    after_s, pictures = list[float](), list[Floats]()
    while not after_s or after_s[-1] < PATIENCE_S:
        frame = camera.read()
        after_s.append(frame.t_s - shown_s)
        pictures.append(small_picture(frame.pixels))
        if _rests(after_s, pictures, before):
            return _Change(np.array(after_s), np.array(pictures), before)
    return None


def _rests(after_s: list[float], pictures: list[Floats], before: Floats) -> bool:
    """Whether the last picture differs from the one before the change, and no more from those just before it."""
    change = pictures[-1] - before
    moved = np.abs(change) > SEEN_STEP
    if moved.mean() < SEEN_SHARE or after_s[-1] - after_s[0] < REST_S or len(after_s) < REST_FRAMES:
        return False
    since = min(int(np.searchsorted(after_s, after_s[-1] - REST_S)), len(after_s) - REST_FRAMES)
    least = np.abs(change[moved]).mean() * (1.0 - SETTLED)
    return all(np.abs((pictures[-1] - picture)[moved]).mean() < least for picture in pictures[since:-1])
