"""The guided cut at a virtual table whose rig is known exactly: nothing is calibrated, so that it starts at once.

What it tells is the guide's and the eye's alone; a rig's own errors are not in it. Frames are generated.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.pinhole import Lens, Pinhole
from calibration.rig import Device, Rig
from projector.guide.carried import Carried
from projector.guided import guide
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan
from projector.records.journal import Journal
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.optics import Optics
from projector.rehearsal.person.person import Skill
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.setting import MAT_CORNERS_MM, setting_of
from projector.rehearsal.truth import Truth
from projector.rehearsal.world import VirtualTable
from projector.table.bench import Bench
from projector.table.devices import Table
from projector.telling.events import Event, Teller
from vision.units import Judged

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
RIM_MM = 3.0


@dataclass
class Led:
    """One plan led through at a known table."""

    events: list[Event] = field(default_factory=list)
    units: tuple[Judged, ...] = ()
    truth: Truth | None = None
    entries: int = 0

    def told(self, kind: str, **keys: object) -> list[Event]:
        return [one for one in self.events if one["event"] == kind and all(one.get(k) == v for k, v in keys.items())]


def known_rig(camera: Optics, projector: Optics) -> Rig:
    """The rig that the devices really are."""
    low, high = MAT_CORNERS_MM.min(axis=0) + RIM_MM, MAT_CORNERS_MM.max(axis=0) - RIM_MM
    area = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return Rig(_device(camera), _device(projector), 0.0, area, NOON, "mat")


def lead(plan: Plan, folder: Path, seed: int, skill: Skill, size_px: tuple[int, int] = (960, 540)) -> Led:
    """Cut a plan to its end."""
    setting = setting_of(seed, size_px, size_px)
    world, clock, led = VirtualTable(setting, work_of(plan), seed, skill), VirtualClock(), Led()
    teller = Teller(clock, True, io.StringIO(), io.StringIO(), [led.events.append])
    teller.listen(lambda event: world.hears(event, clock.now_s()))
    table = Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, teller)
    table.latency_s = 0.2
    with Journal.open(folder / f"records{seed}.sqlite") as journal:
        session = journal.begin(NOON, "rehearse", plan_text(plan), "rig.json")
        rig = known_rig(setting.camera, setting.projector)
        led.units = guide(Bench(table, rig, journal, session), plan, Carried()).units
        led.entries = len(journal.records.units(session))
    led.truth = world.close()
    return led


def _device(optics: Optics) -> Device:
    lens = Lens(optics.size_px, optics.focal_px, optics.centre_px, optics.brown)
    return Device(Pinhole(lens, optics.axes, -optics.axes @ optics.at_mm), 1e-12 * np.eye(15), 0.05)
