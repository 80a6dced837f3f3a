"""The devices at hand, and light that has settled before anything is looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from projector.guide.scene.scenes import Scene
from projector.light.display import Display
from projector.table.clock import Clock
from projector.telling.events import Teller
from vision.frames.cameras import Camera, Frame
from vision.frames.stillness import Stillness, observe, small_picture

Picture = NDArray[np.uint8]
Watcher = Callable[[Picture, Picture], None]  # is shown what the camera sees and what the projector shows

LONGEST_LATENCY_S = 0.5  # before it is measured
PACE_S = 0.17  # at least between two changes of the light: six changes a second are three flashes (WCAG 2.2, 2.3.1)


@dataclass(frozen=True, eq=False, slots=True)
class Still:
    """How the scene looks, as a small picture."""

    small: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pressed:
    """Keys were pressed, by their names."""

    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Disturbed:
    """The scene is no longer the one that was left."""


class Work(Protocol):
    """The part of work beside the light that is asked for here."""

    def done(self) -> bool: ...


class Table:
    """Camera, display, clock and voice. What is shown is remembered, and no frame from before it is used."""

    def __init__(
        self, camera: Camera, display: Display, clock: Clock, teller: Teller, watcher: Watcher | None = None
    ) -> None:
        self.camera, self.display, self.clock, self.teller = camera, display, clock, teller
        self.has_light = True  # else the display shows nothing, and the room's light is all there is
        self.latency_s = LONGEST_LATENCY_S  # from showing a picture to frames that hold nothing else
        self.pace_s = PACE_S  # at least between two changes of the light
        self._watcher = watcher
        self._settled_s = 0.0
        self._thrown_s = -np.inf
        self._shown: Picture | None = None

    def watched_by(self, watcher: Watcher) -> None:
        """From now on each frame that is used is shown to this one."""
        self._watcher = watcher

    @property
    def shown(self) -> Picture | None:
        """What was thrown last."""
        return self._shown

    def throw(self, picture: Picture) -> None:
        """Show a picture and let it settle, silently. It waits its turn, so that nothing flashes too fast."""
        self.clock.wait_s(max(0.0, self._thrown_s + self.pace_s - self.clock.now_s()))
        self.display.show(picture)
        self._shown = picture
        self._thrown_s = self.clock.now_s()
        self._settled_s = self._thrown_s + self.latency_s
        self.clock.wait_s(self.latency_s)

    def light(self, scene: Scene, picture: Picture) -> None:
        """Show a scene's picture, let it settle, and tell that it is there."""
        self.throw(picture)
        cut = None if scene.cut_mat_mm is None else [list(point) for point in scene.cut_mat_mm]
        self.teller.tell("shown", scene=scene.name, cut_mat_mm=cut, keep=scene.keep, caution=scene.caution)

    def look(self) -> Frame:
        """The next frame that holds the present light alone. Raises CameraError."""
        while True:
            frame = self.camera.read()
            if frame.t_s >= self._settled_s:
                if self._watcher is not None and self._shown is not None:
                    self._watcher(frame.pixels, self._shown)
                return frame

    def looks(self, count: int) -> list[Picture]:
        """The pixels of the next frames."""
        return [self.look().pixels for _ in range(count)]

    def glance(self) -> Still:
        """The scene as it is now, at rest or not."""
        return Still(small_picture(self.look().pixels))

    def until_still(
        self,
        unlike: Still | None = None,
        patience_s: float = np.inf,
        after_motion: bool = False,
        watch: Callable[[Picture], None] = lambda _: None,
    ) -> Still | Pressed | None:
        """Wait until the scene is still and differs from what was `unlike`; or until a key is pressed.

        With `after_motion` it is enough that it differed at some time since: a hand came and went, and what it did
        may be too small to be seen in a small picture. None where nothing of that happened within `patience_s`.
        `watch` is handed the pixels of every frame.
        """
        state, started_s, moved = Stillness(), self.clock.now_s(), unlike is None
        while self.clock.now_s() - started_s < patience_s:
            frame = self.look()
            watch(frame.pixels)
            state = observe(state, small_picture(frame.pixels), frame.t_s)
            differs = unlike is None or state.changed_from(unlike.small)
            moved = moved or differs
            if state.still and state.anchor is not None and (differs or (after_motion and moved)):
                return Still(state.anchor)
            if keys := self.display.keys():
                return Pressed(tuple(keys))
        return None

    def while_at(self, work: Work, as_left: Still) -> Pressed | Disturbed | None:
        """Watch on until `work` is done, one frame at least; say what came between, a key or a change of the scene."""
        rest = Stillness(as_left.small)
        while True:
            frame = self.look()
            rest = observe(rest, small_picture(frame.pixels), frame.t_s)
            if rest.anchor is not as_left.small:
                return Disturbed()
            if keys := self.display.keys():
                return Pressed(tuple(keys))
            if work.done():
                return None
