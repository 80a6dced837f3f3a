"""The virtual table: takes the projector's pixels, gives camera pictures, and keeps its truth to itself.

It knows no clock: every call says what time it is, in seconds, never earlier than the last. Its pictures are
generated, not photographed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Bench
from projector.rehearsal.camera.exposure import Developed, Film, mixed
from projector.rehearsal.camera.eye import Eye
from projector.rehearsal.camera.view import View, props_of
from projector.rehearsal.ledger import Ledger
from projector.rehearsal.light.lamp import Lamp
from projector.rehearsal.light.light import Planes
from projector.rehearsal.light.wheel import light_shares
from projector.rehearsal.person.feeding import Feeder, PileToFeed
from projector.rehearsal.person.person import Skill, VirtualPerson, Work
from projector.rehearsal.quirks import PLAIN, Quirks
from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.stand import Stand
from projector.rehearsal.things.hand import over, reached
from projector.rehearsal.truth import Truth

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

RULER_SD_MM = 0.2  # of a person's reading of a check bar


class WorldEndedError(Exception):
    """The rehearsal is over; nothing more happens at this table."""


class VirtualTable:
    """Light, cloth and a person. `close` ends it and is the only way to its truth."""

    def __init__(self, setting: Setting, work: Work | PileToFeed, seed: int = 0, skill: Skill | None = None) -> None:
        sheet = work.sheet if isinstance(work, Work) else None
        printed = None if sheet is None else sheet.stretched(setting.sheet.along, setting.sheet.across)
        rngs = [np.random.default_rng([seed, k]) for k in (3, 4, 6, 7, 8)]
        self._stand, self._setting = Stand(setting), setting
        self._ledger = Ledger()
        self._bench = Bench(setting.projector.size_px)
        self._person: Feeder | VirtualPerson
        if isinstance(work, PileToFeed):
            self._person = Feeder(self._bench, setting, work, self._ledger, seed)
        else:
            work = replace(work, sheet=printed)
            self._person = VirtualPerson(self._bench, setting, work, self._ledger, seed, skill or Skill())
        self._blade_mm = (skill or Skill()).blade_mm
        self._props = props_of(setting, printed, rngs[0], rngs[2])
        self._view = View(setting, self._props)
        self._film = Film(setting.sensor, setting.camera.size_px, rngs[1])
        self._lamp = Lamp(setting.beam.dynamic)
        self._developed: tuple[Planes, Developed] | None = None
        self._ruler = rngs[4]
        self._ended = False
        self.eye = Eye(setting, rngs[3])  # the camera's own settings
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
        self._goes_on(t_s)
        self._bench.project(picture, t_s)
        self._lamp.shows(picture, t_s)
        self.last_picture = self._bench.picture_at(t_s)

    def hears(self, event: Mapping[str, Any], t_s: float) -> None:
        """Let the person hear an event of the app. Raises WorldEndedError."""
        self._check()
        self._person.hears(event, t_s)

    def advance(self, t_s: float) -> None:
        """Let time pass. Raises WorldEndedError."""
        self._check()
        self._goes_on(t_s)
        self._bench.forget(t_s)

    def keys(self) -> list[str]:
        """Keys that the person pressed since the last call."""
        return self._person.keys()

    def bump(self, device: str, shift_mm: Floats, turn_rad: Floats, t_s: float) -> None:
        """Let "camera", "projector", the "mount" of both or the "mat" be bumped at that time (see `Stand.bump`)."""
        self._check()
        self._stand.bump(device, np.asarray(shift_mm, float), np.asarray(turn_rad, float), t_s)

    def read_bars(self, along_mm: float, across_mm: float) -> tuple[float, float]:
        """What the person's ruler reads on the sheet's check bars of those nominal lengths, SD 0.2 mm."""
        self._check()
        sheet = self._setting.sheet
        off = self._ruler.normal(0.0, RULER_SD_MM, 2)
        return float(along_mm * sheet.along + off[0]), float(across_mm * sheet.across + off[1])

    def frame(self, t_s: float) -> Picture:
        """The camera's picture that arrives at `t_s`: (rows, columns, 3) uint8. Raises WorldEndedError."""
        self.advance(t_s)
        end = t_s - self._setting.sensor.latency_s
        middle = end - self.eye.exposure_s / 2
        self._stand_as_at(middle)
        linear = self._steady(end, middle) if self._ordinary else self._unsteady(end, middle, t_s)
        frame = self._film.expose(self._kept(linear))
        self._reach_in(frame, linear, middle)
        self.last_frame = frame
        return frame

    def close(self) -> Truth:
        """End the world and open its ledger. From then on everything else is refused."""
        self._ended = True
        opened = self._ledger.opened(self._stand.last, self._stand.placings)
        return replace(opened, blade_mm=self._blade_mm)

    @property
    def _ordinary(self) -> bool:
        beam = self._setting.beam
        steady = beam.wheel is None and beam.dynamic == 0.0 and self._setting.sensor.readout_s == 0.0
        return steady and self.eye.ordinary

    def _steady(self, end_s: float, middle_s: float) -> Planes:
        """What is gathered in an exposure that ends then, by an even light and a camera left as it is."""
        since = end_s - self._setting.sensor.exposure_s
        latency = self._setting.beam.latency_s
        lying = self._bench.lying_at(middle_s)
        lit = self._bench.pictures_during(since - latency, end_s - latency)
        parts = [(share, self._view.linear(lying, picture)) for share, picture in lit]
        return parts[0][1] if len(parts) == 1 else mixed(parts)

    def _unsteady(self, end_s: float, middle_s: float, t_s: float) -> Planes:
        """The same row by row and colour by colour, as the lamp's light comes and goes, and as the camera is set."""
        sensor, beam = self._setting.sensor, self._setting.beam
        rows = np.linspace(1.0, 0.0, self._setting.camera.size_px[1])
        opened = end_s - beam.latency_s - self.eye.exposure_s - sensor.readout_s * rows
        lying = self._bench.lying_at(middle_s)
        room = self._view.linear(lying, None)
        planes = [plane.copy() for plane in room]
        level = self._lamp.level(middle_s - beam.latency_s)
        for since, until, picture in self._bench.pictures_between(float(opened[0]), end_s - beam.latency_s):
            shares = level * light_shares(opened, self.eye.exposure_s, (since, until), beam.wheel)
            full = self._view.linear(lying, picture)
            for k in range(3):
                planes[k] += (full[k] - room[k]) * shares[:, k : k + 1].astype(np.float32)
        seen = self.eye.looks((planes[0], planes[1], planes[2]), self._setting)
        self.eye.learns(seen, t_s)
        return seen

    def _stand_as_at(self, t_s: float) -> None:
        """See the table from where the devices hang then."""
        setting = self._stand.at(t_s)
        if setting is not self._setting:
            self._setting, self._view = setting, View(setting, self._props)

    def _goes_on(self, t_s: float) -> None:
        self._person.setting = self._stand.at(t_s)
        self._person.advance(t_s)

    def _kept(self, linear: Planes) -> Developed:
        """Developed once for as long as the table stands still."""
        if self._developed is None or self._developed[0] is not linear:
            self._developed = linear, self._film.develop(linear, self.eye.gain)
        return self._developed[1]

    def _reach_in(self, frame: Picture, linear: Planes, t_s: float) -> None:
        """Draw the hand into a picture if there is one."""
        hand = self._bench.hand_at(t_s)
        arm = reached(self._setting, hand[0].to_mat_mm, hand[1]) if hand else None
        if arm is not None:
            box, palm, sleeve = arm
            light = over(self._setting, linear, box, palm, sleeve, self.eye.factor)
            frame[box] = self._film.expose(self._film.develop(light, self.eye.gain))

    def _check(self) -> None:
        if self._ended:
            raise WorldEndedError("the rehearsal is over; start a new virtual table")


def virtual_table(
    seed: int,
    work: Work | PileToFeed,
    camera_px: tuple[int, int] = (1920, 1080),
    projector_px: tuple[int, int] = (1920, 1080),
    quirks: Quirks = PLAIN,
    skill: Skill | None = None,
) -> VirtualTable:
    """A table with a setting of its own, all from one seed; usual hands where no `skill` is said."""
    return VirtualTable(setting_of(seed, camera_px, projector_px, quirks), work, seed, skill)
