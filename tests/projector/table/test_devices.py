"""Light settles before anything is looked at; stillness and keys as the loop sees them. Frames are made up."""

from __future__ import annotations

import io
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from projector.guide.scene.scenes import LAMP
from projector.rehearsal.devices import VirtualClock
from projector.table.devices import Disturbed, Pressed, Still, Table
from projector.telling.events import Event, Teller
from vision.frames.cameras import Frame

Picture = NDArray[np.uint8]
FRAME_S = 0.1


@dataclass
class FakeCamera:
    """A frame every tenth of a second: even grey, its level by time, with the noise of an 8-bit sensor."""

    clock: VirtualClock
    moves_until_s: float = 0.0
    moves_from_s: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))

    def read(self) -> Frame:
        self.clock.wait_s(FRAME_S)
        now = self.clock.now_s()
        pixels = self.rng.normal(90.0, 1.0, (90, 160, 3))
        if self.moves_from_s <= now < self.moves_until_s:
            left = int(now / FRAME_S) * 8 % 120
            pixels[20:60, left : left + 30] = 200.0
        return Frame(np.clip(np.rint(pixels), 0, 255).astype(np.uint8), now)

    def close(self) -> None: ...


@dataclass
class FakeDisplay:
    pressed: list[str] = field(default_factory=list)
    shown: list[Picture] = field(default_factory=list)
    size_px: tuple[int, int] = (160, 90)

    def show(self, picture: Picture) -> None:
        self.shown.append(picture)

    def keys(self) -> list[str]:
        pressed, self.pressed = self.pressed, []
        return pressed

    def close(self) -> None: ...


@dataclass
class Set:
    clock: VirtualClock = field(default_factory=VirtualClock)
    display: FakeDisplay = field(default_factory=FakeDisplay)
    told: list[Event] = field(default_factory=list)
    watched: list[tuple[Picture, Picture]] = field(default_factory=list)

    def table(self, moves_until_s: float = 0.0) -> Table:
        camera = FakeCamera(self.clock, moves_until_s)
        teller = Teller(self.clock, True, io.StringIO(), io.StringIO(), [self.told.append])
        return Table(camera, self.display, self.clock, teller, lambda *pair: self.watched.append(pair))


def dark(level: int = 0) -> Picture:
    return np.full((90, 160, 3), level, np.uint8)


def test_no_frame_from_before_the_light_has_settled_is_used() -> None:
    room = Set()
    table = room.table()
    table.latency_s = 0.25
    table.throw(dark())
    shown_s = room.clock.now_s() - table.latency_s
    assert all(table.look().t_s >= shown_s + table.latency_s for _ in range(3))


def test_whoever_watches_sees_each_used_frame_with_its_light() -> None:
    room = Set()
    table = room.table()
    table.look()
    assert room.watched == []  # nothing is shown yet
    table.throw(dark(7))
    frame = table.look()
    ((seen, light),) = room.watched
    assert seen is frame.pixels
    assert light.max() == 7


def test_a_scene_is_told_when_it_is_in_the_light() -> None:
    room = Set()
    table = room.table()
    table.light(LAMP, dark(255))
    (event,) = room.told
    assert event["event"] == "shown"
    assert event["scene"] == LAMP.name
    assert float(str(event["t"])) >= table.latency_s
    assert len(room.display.shown) == 1


def test_what_moves_is_waited_for() -> None:
    room = Set()
    seen = room.table(moves_until_s=3.0).until_still()
    assert isinstance(seen, Still)
    assert room.clock.now_s() >= 3.0 + 0.4  # and 0.4 s of rest


def test_what_has_not_changed_is_not_seen_again() -> None:
    room = Set()
    table = room.table()
    first = table.until_still()
    assert isinstance(first, Still)
    assert table.until_still(first, patience_s=3.0) is None
    assert isinstance(table.until_still(None, patience_s=3.0), Still)


def test_a_key_cuts_the_waiting_short() -> None:
    room = Set()
    room.display.pressed = ["space", "q"]
    assert room.table(moves_until_s=100.0).until_still() == Pressed(("space", "q"))
    assert room.clock.now_s() < 1.0


def test_patience_ends() -> None:
    room = Set()
    assert room.table(moves_until_s=100.0).until_still(patience_s=2.0) is None
    assert 2.0 <= room.clock.now_s() < 2.5


@dataclass
class SlowWork:
    """Done when it has been asked so many times."""

    asked_times: int
    asked: int = 0

    def done(self) -> bool:
        self.asked += 1
        return self.asked >= self.asked_times


def test_the_loop_looks_on_while_work_goes_on_beside_it() -> None:
    room = Set()
    table = room.table()
    still = table.until_still()
    assert isinstance(still, Still)
    before_s, work = room.clock.now_s(), SlowWork(7)
    assert table.while_at(work, still) is None
    assert work.asked == 7
    assert room.clock.now_s() == pytest.approx(before_s + 7 * FRAME_S)  # a frame for each time it was asked


def test_at_least_one_frame_says_that_the_scene_stayed() -> None:
    room = Set()
    table = room.table()
    still = table.glance()
    before_s = room.clock.now_s()
    assert table.while_at(SlowWork(1), still) is None
    assert room.clock.now_s() == pytest.approx(before_s + FRAME_S)


def test_a_change_of_the_scene_ends_the_waiting_though_work_goes_on() -> None:
    room = Set()
    table = room.table()
    still = table.until_still()
    assert isinstance(still, Still)
    came_s = room.clock.now_s() + 1.0
    table.camera = FakeCamera(room.clock, moves_until_s=1e9, moves_from_s=came_s)
    assert isinstance(table.while_at(SlowWork(100), still), Disturbed)
    assert room.clock.now_s() < came_s + 2.5 * FRAME_S


def test_a_key_is_heard_while_work_goes_on() -> None:
    room = Set()
    table = room.table()
    still = table.glance()
    room.display.pressed = ["z"]
    assert table.while_at(SlowWork(100), still) == Pressed(("z",))
