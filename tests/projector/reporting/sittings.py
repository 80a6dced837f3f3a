"""Sessions of drawn units in records: what they hold is known, no picture was looked at."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from projector.files.unitpictures import FOLDER
from projector.guide.units.state import wanted_of
from projector.piecing.blocks.catalogue import block_of
from projector.piecing.making import Wishes, plan_of
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Making, Plan
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.reporting.gathering import Rigs, gathered
from projector.reporting.page import page
from projector.reporting.photographs import Photographs
from tests.projector.drawn import drawn_event

BEGUN = datetime(2026, 11, 28, 9, 15, tzinfo=UTC)
IN = 25.4


def nine_patch(name: str = "") -> Plan:
    """A plan of the library; under another name where one is given."""
    making = Making("nine patch", 12 * IN, 20)
    plan = plan_of(block_of("nine patch", 12 * IN, {}), making, Wishes()).plan
    return Plan(
        **{field: getattr(plan, field) for field in plan.__dataclass_fields__} | ({"name": name} if name else {})
    )


def events(plan: Plan, each: int = 1000, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Units by turns, sewn a little deep, cut wider and wider; one far off, one face down, one unseen of each kind."""
    rng = np.random.default_rng(seed)
    wanted = [(wanted_of(plan, unit), min(each, unit.cut.make)) for unit in plan.units if unit.cut is not None]
    for n in range(each):
        for shape, make in wanted:
            if n >= make:
                continue
            off = rng.normal(0.0, 0.12, len(shape.corners_mm)) + np.array([-0.1, 0.006 * n, -0.1, 0.006 * n])
            off[1] += 1.4 if n == make // 3 else 0.0
            at = tuple(rng.uniform(100.0, 400.0, 2))
            tilt = tuple(rng.normal(0.0, 0.0012, len(off)))
            event = drawn_event(
                shape,
                off_mm=tuple(off),
                tilt_rad=tilt,
                seam_mm=rng.normal(0.0, 0.1),
                turn_rad=rng.uniform(-1, 1),
                at_mm=at,
            )
            if n in (make // 2, make // 2 + 1):
                event["verdict"] = "turned_over" if n == make // 2 else "look_again"
                event["why"] = "lay it printed face up" if n == make // 2 else "it touches another: move them apart"
            yield event | {"name": shape.name, "n": n + 1, "of": make}


def kept(path: Path, plan: Plan, told: Iterator[dict[str, Any]] | list[dict[str, Any]], rig: str = "rig.json") -> int:
    """Write one session; its number."""
    with Journal.open(path) as journal:
        session = journal.begin(BEGUN, "pile", plan_text(plan), rig)
        at = BEGUN
        for event in told:
            at += timedelta(seconds=11)
            journal.record(session, str(event["name"]), str(event["verdict"]), json.dumps(event), at)
        journal.end(session, at)
    return session


def report_page(path: Path, made: datetime = BEGUN) -> str:
    """The page of all sessions in records, with photographs that were kept beside them."""
    with open_records(path) as records:
        sessions, rigs = records.sessions(), Rigs(path.parent)
        photographs = Photographs({session.id: session.rig for session in sessions}, rigs, path.parent / FOLDER)
        return page(gathered(records, sessions, rigs), made, photographs.of)
