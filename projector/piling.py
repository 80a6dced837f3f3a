"""The outer loop of a pile: devices on one side, the pure state machine on the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.guide.keys import MEANINGS
from projector.guide.looks import Glimpsed, KeyPressed, MatCleared, Seen
from projector.guide.pile import Step, begin, between, step
from projector.guide.pilestate import Pile
from projector.guide.sitting import Sitting
from projector.guided import Bench
from projector.opening import readable_cautions
from projector.recordevents import record_event
from projector.seeing.looking import NotClear, Seeing
from projector.seeing.measuring import Gauge
from projector.showing import show
from projector.table import Pressed, Still
from vision.expected import ExpectedShape
from vision.glimpse import Bare, bare_of, glimpse
from vision.measure import px_per_mm
from vision.units import Judged

Picture = NDArray[np.uint8]

BARE_FRAMES = 8  # of the bare mat in the pile's own light
LEAST_SHARE = 0.25  # of a unit's area: what is smaller is no unit, and not looked at between measurements
AGREE = 2  # frames in a row that see as many pieces, before that is believed


@dataclass(frozen=True, eq=False, slots=True)
class Piled:
    """What came of it: what stands, in order, and whether the pile was left before its end."""

    units: tuple[Judged, ...]
    stopped: bool


class Watch:
    """Follows what lies on the mat from frame to frame, while no hand is in the picture."""

    def __init__(self, rig: Rig, bare: Bare, state: Pile) -> None:
        self._rig, self._bare, self.state = rig, bare, state
        area = np.ones(rig.camera.pinhole.lens.size_px[::-1], bool)
        self._least_px = LEAST_SHARE * state.unit_mm2 * px_per_mm(rig.camera.pinhole, area) ** 2
        self._count, self._agreed = -1, 0

    def sees(self, pixels: Picture) -> None:
        """One more frame."""
        now = glimpse(pixels, self._bare, self._rig.tone, self._least_px)
        self._agreed = self._agreed + 1 if not now.reached and len(now.outlines_px) == self._count else 1
        self._count = -1 if now.reached else len(now.outlines_px)
        if self._agreed >= AGREE:
            outlines = tuple(self._rig.camera.pinhole.mat_from_px(outline) for outline in now.outlines_px)
            self.state = between(self.state, Glimpsed(outlines))


def pile(bench: Bench, expected: ExpectedShape, sitting: Sitting, wanted: int | None = None, before: int = 0) -> Piled:
    """Judge a pile; `before` of the `wanted` units were judged in earlier sittings. Raises CameraError."""
    if bench.rig.projector is None:
        raise ValueError("a rig with a projector is needed")
    seeing = Seeing(bench.table, Gauge.of(bench.rig, bench.cloth), bench.worker)
    area = tuple((float(x), float(y)) for x, y in bench.rig.area_mat_mm)
    entries: list[int | None] = []
    now = begin(expected, area, sitting, wanted, before)
    unlike: Still | None = _carry_out(bench, now, entries)
    bare: Bare | None = None
    while not now.state.done:
        watch = None if bare is None else Watch(bench.rig, bare, now.state)
        still = bench.table.until_still(unlike, after_motion=True, watch=watch.sees if watch else lambda _: None)
        if watch is not None:
            now = replace(now, state=watch.state)
        seen = seeing.look(still, now.state.look) if isinstance(still, Still) else still
        if isinstance(seen, Pressed):
            for key in seen.keys:
                if now.state.look.kind == "bare" and MEANINGS.get(key) == "on":
                    seeing.take_mat_as_it_is()
                now = step(now.state, KeyPressed(key))
                _carry_out(bench, now, entries)
        if isinstance(seen, NotClear):
            do = "take away what lies on the mat, or press space if nothing does"
            bench.table.teller.tell("refused", what="clear_mat", why="not_clear", do=do)
        if isinstance(seen, MatCleared):
            told = readable_cautions(bench.table, bench.rig, sitting, seeing.take_mat_as_it_is)
            now = step(now.state, KeyPressed("q") if told is None else MatCleared(told.light))
            unlike = _carry_out(bench, now, entries)
        elif isinstance(seen, Seen):
            if bench.monitor is not None:
                bench.monitor.found(seen)
            if bench.kept is not None:
                bench.kept(seeing.latest, seen.cloths)
            if bench.pictures is not None:
                bench.pictures.measured(seeing.latest)
            now = step(now.state, seen)
            unlike = _carry_out(bench, now, entries)
        else:
            unlike = bench.table.glance() if isinstance(seen, NotClear) else None
        if bare is None and now.state.look.kind != "bare":
            bare = bare_of(bench.table.looks(BARE_FRAMES), bench.rig.tone)
    return Piled(tuple(one.judged for one in now.state.standing), now.state.stopped)


def _carry_out(bench: Bench, turn: Step, entries: list[int | None]) -> Still:
    """Keep the records, then show and look, then ask: nothing is said of a unit before it is on the disk.

    `entries` holds, for each number of this sitting, where the unit stands in the journal.
    """
    for number in turn.taken_back:
        entry = entries[number - 1]
        if entry is not None:
            bench.journal.undo(bench.session, entry, datetime.now().astimezone())
    for record in turn.records:
        event = record_event(record)
        entries.append(bench.journal.keep(bench.session, event, datetime.now().astimezone()))
        if bench.pictures is not None and (entry := entries[-1]) is not None:
            bench.pictures.keep(bench.session, entry, record.judged.unit.corners_mat_mm)
        bench.table.teller.tell(str(event.pop("event")), **event)
    show(bench.table, bench.rig, turn.scene)
    as_it_lies = bench.table.glance()
    for one in turn.events:
        told = dict(one)
        bench.table.teller.tell(str(told.pop("event")), **told)
    return as_it_lies
