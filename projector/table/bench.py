"""What stays the same while something is led at the table, and how what is judged there is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.files.unitpictures import UnitPictures
from projector.guide.steps import Event, Record, Step
from projector.guide.steps import Kept as KeptRecord
from projector.light.lighting import Lighting
from projector.seeing.beside import AtOnce, Worker
from projector.table.devices import Table
from projector.table.monitor import Monitor
from projector.telling.recordevents import record_event
from vision.measure import PLAIN_CLOTH, Cloth
from vision.units import Judged

Picture = NDArray[np.uint8]
Kept = Callable[[Picture, tuple[Judged, ...]], None]


class Keeper(Protocol):
    """Keeps what is judged, as a journal does."""

    def keep_all(self, session: int, events: Sequence[Mapping[str, object]], at: datetime) -> list[int]: ...

    def undo(self, session: int, n: int, at: datetime) -> None: ...


@dataclass(frozen=True, eq=False)
class Bench:
    """What stays the same while a plan is cut or a pile is judged."""

    table: Table
    rig: Rig
    journal: Keeper
    session: int
    cloth: Cloth = PLAIN_CLOTH
    kept: Kept | None = None  # is handed each picture that was measured, with what was found
    pictures: UnitPictures | None = None  # keeps a photograph of each unit
    worker: Worker = field(default_factory=AtOnce)  # measures while the light goes on
    monitor: Monitor | None = None  # shows what was found on the laptop's screen

    @cached_property
    def lighting(self) -> Lighting:
        return Lighting(self.table, self.rig, self.cloth.height_mm)


class Judgements:
    """What stands of a session: what was kept in this sitting, and the number that each has in the records.

    Numbers of earlier sittings come first, the latest last; None where nobody knows it.
    """

    def __init__(self, before: Iterable[int | None] = ()) -> None:
        self._stands: list[tuple[int | None, KeptRecord | None]] = [(number, None) for number in before]

    @property
    def records(self) -> tuple[KeptRecord, ...]:
        """What was kept in this sitting and stands, in order."""
        return tuple(record for _, record in self._stands if record is not None)

    def keep(self, bench: Bench, turn: Step[Any]) -> list[Event]:
        """Mark what was taken back, then keep what is new; what is to be told of it, once that is in the light.

        What one look saw is kept in one: part of a lot, kept before a power cut, would count again once laid again.
        """
        for place in sorted(turn.undone):
            number, _ = self._stands[-place] if place <= len(self._stands) else (None, None)
            if number is not None:
                bench.journal.undo(bench.session, number, datetime.now().astimezone())
        gone = {len(self._stands) - place for place in turn.undone}
        self._stands = [one for i, one in enumerate(self._stands) if i not in gone]
        events = [record_event(record) for record in turn.records]
        numbers = bench.journal.keep_all(bench.session, events, datetime.now().astimezone())
        self._stands += zip(numbers, turn.records, strict=True)
        for number, record in zip(numbers, turn.records, strict=True):
            if isinstance(record, Record) and bench.pictures is not None:
                bench.pictures.keep(bench.session, number, record.judged.unit.corners_mat_mm)
        return [*filter(says_undone, turn.events), *events]


def says_undone(event: Event) -> bool:
    """Whether it tells that something was taken back, which is told before what came in its place."""
    return event["event"] == "seen" and event.get("what") == "undone"
