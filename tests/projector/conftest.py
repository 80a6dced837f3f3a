"""A small virtual table and its rig, calibrated once for all tests that need one. Frames are generated."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from calibration.sheet.board import Board, picture
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import PLAIN, Quirks
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.world import VirtualTable, virtual_table
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.captures import Captures
from projector.setup.finishing import Finished
from projector.setup.looking import settle
from projector.table.devices import Picture, Table
from projector.telling.events import Event, Teller

SIZE_PX = (960, 540)
SEED = 3


class WatchedDisplay(VirtualDisplay):
    """Remembers when it was handed which picture, every 23rd pixel of it."""

    def __init__(self, world: VirtualTable, clock: VirtualClock, record: list[tuple[float, Picture]]) -> None:
        super().__init__(world, clock)
        self._own_clock, self._record = clock, record

    def show(self, picture: Picture) -> None:
        self._record.append((self._own_clock.now_s(), picture[::23, ::23].copy()))
        super().show(picture)


@dataclass
class SmallTable:
    """A virtual table whose person hears what `hears` lets through."""

    hears: Callable[[Event], Event | None] = lambda event: event
    quirks: Quirks = PLAIN
    events: list[Event] = field(default_factory=list)
    clock: VirtualClock = field(default_factory=VirtualClock)
    world: VirtualTable = field(init=False)
    table: Table = field(init=False)
    shown: list[tuple[float, Picture]] = field(default_factory=list)  # when, and a sparse copy

    def __post_init__(self) -> None:
        printed = picture(Board(), 4.0)
        work = Work(PrintedSheet(printed.pixels, *printed.size_mm))
        self.world = virtual_table(SEED, work, SIZE_PX, SIZE_PX, self.quirks)
        teller = Teller(self.clock, True, io.StringIO(), io.StringIO(), [self.events.append])
        teller.listen(self._passed_on)
        display = WatchedDisplay(self.world, self.clock, self.shown)
        self.table = Table(VirtualCamera(self.world, self.clock), display, self.clock, teller)

    def _passed_on(self, event: Event) -> None:
        heard = self.hears(event)
        if heard is not None:
            self.world.hears(heard, self.clock.now_s())

    def settled(self) -> Table:
        settle(self.table)
        return self.table

    def told(self, kind: str, what: str | None = None) -> list[Event]:
        return [e for e in self.events if e["event"] == kind and what in (None, e.get("what"))]


@dataclass(frozen=True)
class Calibrated:
    found: Finished
    captures: Captures
    events: list[Event]
    shown: list[tuple[float, Picture]]

    def told(self, kind: str, what: str | None = None) -> list[Event]:
        return [e for e in self.events if e["event"] == kind and what in (None, e.get("what"))]

    def resumed(self, folder: Path, flat: int, tilted: int) -> Captures:
        """As if a calibration of this table had been left after some views, before the patterns. Goes on with
        `Wishes(..., resume=True)`."""
        assert self.captures.about is not None
        assert self.captures.tone is not None
        left = Captures(folder)
        left.begin(self.captures.about)
        for what, count in (("sheet_flat", flat), ("sheet_tilted", tilted)):
            for view in self.captures.views[what][:count]:
                left.keep_view(what, view)
        left.keep_tone(self.captures.tone)
        return left


@pytest.fixture(scope="session")
def small_table() -> type[SmallTable]:
    return SmallTable


@pytest.fixture(scope="session")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Calibrated:
    room = SmallTable()
    captures = Captures(Path(tmp_path_factory.mktemp("rig")) / "rig.json.captures")
    found = calibrate(room.table, Wishes(Board()), captures)
    return Calibrated(found, captures, room.events, room.shown)
