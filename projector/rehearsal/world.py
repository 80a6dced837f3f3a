"""The virtual table: takes the projector's pixels, gives camera pictures, and keeps its truth to itself.

It knows no clock: every call says what time it is, in seconds, never earlier than the last. Its pictures are
generated, not photographed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Bench
from projector.rehearsal.exposure import Developed, Film, mixed
from projector.rehearsal.hand import over, reached
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.light import Planes
from projector.rehearsal.person import Skill, VirtualPerson, Work
from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.truth import Truth
from projector.rehearsal.view import View

Picture = NDArray[np.uint8]


class WorldEndedError(Exception):
    """The rehearsal is over; nothing more happens at this table."""


class VirtualTable:
    """Light, cloth and a person. `close` ends it and is the only way to its truth."""

    def __init__(self, setting: Setting, work: Work, seed: int = 0, skill: Skill | None = None) -> None:
        rngs = [np.random.default_rng([seed, k]) for k in (3, 4)]
        self._setting = setting
        self._ledger = Ledger()
        self._bench = Bench(setting.projector.size_px)
        self._person = VirtualPerson(self._bench, setting, work, self._ledger, seed, skill or Skill())
        self._view = View(setting, work, rngs[0])
        self._film = Film(setting.sensor, setting.camera.size_px, rngs[1])
        self._developed: tuple[Planes, Developed] | None = None
        self._ended = False
        self.last_picture: Picture | None = None  # what the projector was handed last
        self.last_frame: Picture | None = None  # what the camera gave last

    @property
    def camera_px(self) -> tuple[int, int]:
        return self._setting.camera.size_px

    @property
    def projector_px(self) -> tuple[int, int]:
        return self._setting.projector.size_px

    @property
    def busy(self) -> bool:
        """Whether the person is still at something that was asked."""
        return self._person.busy

    def project(self, picture: Picture, t_s: float) -> None:
        """Hand a picture (rows, columns, 3) uint8, blue green red, to the projector. Raises
        WorldEndedError, ValueError."""
        self._check()
        self._person.advance(t_s)
        self._bench.project(picture, t_s)
        self.last_picture = self._bench.picture_at(t_s)

    def hears(self, event: Mapping[str, Any], t_s: float) -> None:
        """Let the person hear an event of the app. Raises WorldEndedError."""
        self._check()
        self._person.hears(event, t_s)

    def advance(self, t_s: float) -> None:
        """Let time pass. Raises WorldEndedError."""
        self._check()
        self._person.advance(t_s)
        self._bench.forget(t_s)

    def keys(self) -> list[str]:
        """Keys that the person pressed since the last call."""
        return self._person.keys()

    def frame(self, t_s: float) -> Picture:
        """The camera's picture that arrives at `t_s`: (rows, columns, 3) uint8. Raises WorldEndedError."""
        self.advance(t_s)
        sensor, beam = self._setting.sensor, self._setting.beam
        end = t_s - sensor.latency_s
        middle = end - sensor.exposure_s / 2
        lying = self._bench.lying_at(middle)
        lit = self._bench.pictures_during(end - sensor.exposure_s - beam.latency_s, end - beam.latency_s)
        parts = [(share, self._view.linear(lying, picture)) for share, picture in lit]
        if len(parts) == 1:
            linear = parts[0][1]
            frame = self._film.expose(self._kept(linear))
        else:
            linear = mixed(parts)
            frame = self._film.expose(self._film.develop(linear))
        self._reach_in(frame, linear, middle)
        self.last_frame = frame
        return frame

    def close(self) -> Truth:
        """End the world and open its ledger. From then on everything else is refused."""
        self._ended = True
        return self._ledger.opened(self._setting)

    def _kept(self, linear: Planes) -> Developed:
        """Developed once for as long as the table stands still."""
        if self._developed is None or self._developed[0] is not linear:
            self._developed = linear, self._film.develop(linear)
        return self._developed[1]

    def _reach_in(self, frame: Picture, linear: Planes, t_s: float) -> None:
        """Draw the hand into a picture if there is one."""
        hand = self._bench.hand_at(t_s)
        arm = reached(self._setting, hand[0].to_mat_mm, hand[1]) if hand else None
        if arm is not None:
            box, palm, sleeve = arm
            frame[box] = self._film.expose(self._film.develop(over(self._setting, linear, box, palm, sleeve)))

    def _check(self) -> None:
        if self._ended:
            raise WorldEndedError("the rehearsal is over; start a new virtual table")


def virtual_table(
    seed: int,
    work: Work,
    camera_px: tuple[int, int] = (1920, 1080),
    projector_px: tuple[int, int] = (1920, 1080),
) -> VirtualTable:
    """A table with a setting of its own, all from one seed."""
    return VirtualTable(setting_of(seed, camera_px, projector_px), work, seed)
