"""A cut at the virtual table, killed at random moments and gone on with each time: what was told, and what is kept.

    python -m tests.measure.kills_at_table [--kills 200] [--rig RIG] [--seed 1]

Half of the kills fall anywhere between the first look and the end of the plan, the others within 30 ms after the file
of records was last written, when a unit is kept and being told. Each sitting accepts unasked to go on with what was
left; when the plan is done, the next begins it anew. Without a rig a rehearsal makes one first.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import signal
import sys
import tempfile
import threading
import time
from argparse import Namespace
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import cv2

from calibration.rig import Rig
from calibration.rigfile import load_rig
from projector.bench import Bench
from projector.commands.cut import session_for
from projector.events import Teller
from projector.goingon import carried_from
from projector.guide.sitting import USUAL
from projector.guided import guide
from projector.piecing.planfile import load_plan
from projector.records.journal import Journal
from projector.records.opening import open_records
from projector.records.sessions import Entry
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.planwork import work_of
from projector.rehearsal.world import virtual_table
from projector.rehearsing import Stage, rehearse
from projector.setup.looking import settle
from projector.table import Table

PLAN = load_plan(Path(__file__).parents[2] / "fixtures" / "plans" / "small.toml")
SIZE_PX, TABLE_SEED = (960, 540), 5
SOON_S = 0.03


@dataclass
class Found:
    """Totals over all sittings."""

    kills: int = 0
    finished: int = 0  # sittings that came to the plan's end before they were killed
    gone_on: int = 0  # sittings that went on with what was left
    told: int = 0  # units
    lost: int = 0  # of them, not in the records as they were told
    double: int = 0  # units that are not the next of their kind
    untold: int = 0  # kept, and killed before it was told: at most one a kill
    wrong_end: int = 0  # finished plans with more or fewer units than they want


def sit(rig: Rig, address: str, out: TextIO) -> None:
    """One sitting, as `cut --resume` leads it, at the table that the rig belongs to."""
    clock = VirtualClock()
    world = virtual_table(TABLE_SEED, work_of(PLAN), SIZE_PX, SIZE_PX)
    teller = Teller(clock, True, out, io.StringIO())
    teller.listen(lambda event: world.hears(event, clock.now_s()))
    table = Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, teller)
    with Journal.open(address, teller.tell) as journal:
        settle(table)
        found = session_for(Namespace(resume=True, anew=False, rig="rig.json"), PLAN, journal, table, rig, USUAL)
        assert found is not None
        session, carried = found
        teller.tell("seen", what="session", session=session)
        if not guide(Bench(table, rig, journal, session), PLAN, carried).stopped:
            journal.end(session, datetime.now().astimezone())


@dataclass(frozen=True)
class Moment:
    """When a sitting is killed: after so many changes of the file of records, and so long after that."""

    changes: int
    then_s: float


def moment(chance: random.Random, longest_s: float) -> Moment:
    if chance.random() < 0.5:
        return Moment(0, chance.uniform(0.0, longest_s))
    return Moment(chance.randint(1, PLAN.wanted + 1), chance.uniform(0.0, SOON_S))


def killed(rig: Rig, address: str, when: Moment | None) -> tuple[list[dict[str, Any]], bool]:
    """A sitting in a process of its own: what it told, and whether it was killed."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reads)
        code = 1
        try:
            with os.fdopen(writes, "w") as out:
                sit(rig, address, out)
            code = 0
        finally:
            os._exit(code)
    os.close(writes)
    over = threading.Event()
    killer = threading.Thread(target=_kill, args=(child, Path(address), when, over))
    killer.start()
    with os.fdopen(reads) as lines:
        told = [json.loads(line) for line in lines if line.endswith("\n")]
    over.set()
    killer.join()  # before the process is waited for: until then its number is nobody else's
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, -signal.SIGKILL), f"a sitting failed by itself ({status})"
    return told, status != 0


def _kill(child: int, file: Path, when: Moment | None, over: threading.Event) -> None:
    if when is None:
        return
    before, left = _changed(file), when.changes
    while left and not over.wait(0.001):
        if (now := _changed(file)) != before:
            before, left = now, left - 1
    if not over.wait(when.then_s):
        os.kill(child, signal.SIGKILL)


def _changed(file: Path) -> int:
    return file.stat().st_mtime_ns if file.exists() else 0


def compared(told: list[dict[str, Any]], was_killed: bool, before: dict[int, int], address: str) -> Found:
    """What the records hold of one sitting; `before` is how many entries each session had."""
    with open_records(address, make=True) as records:
        kept = {session.id: records.entries(session.id) for session in records.sessions()}
        ended = {session.id for session in records.sessions() if session.ended is not None}
    said = [event for event in told if event["event"] == "unit"]
    fresh = [entry for id_, entries in kept.items() for entry in entries[before.get(id_, 0) :]]
    events = [dict(entry.event()) for entry in fresh]
    orders = [[entry.event()["n"] for entry in entries if _counts(entry)] for entries in kept.values()]
    ends = [sum(carried_from(PLAN, kept[id_]).made) for id_ in ended]
    return Found(
        kills=int(was_killed),
        finished=int(not was_killed),
        gone_on=sum(event.get("what") == "unfinished_session" for event in told),
        told=len(said),
        lost=sum({key: value for key, value in event.items() if key != "t"} not in events for event in said),
        double=sum(order != list(range(1, len(order) + 1)) for order in orders),
        untold=len(fresh) - len(said),
        wrong_end=sum(made != PLAN.wanted for made in ends),
    )


def _counts(entry: Entry) -> bool:
    return entry.undone is None and entry.event().get("counts", True) is not False


def whole_sitting_s(rig: Rig) -> float:
    """How long a sitting takes that nobody kills."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        killed(rig, str(Path(folder) / "j"), None)
    return time.monotonic() - began_s


def run(rig: Rig, address: str, kills: int, chance: random.Random, longest_s: float) -> Found:
    """So many kills, and as many sittings as that takes."""
    total = Found()
    while total.kills < kills:
        before: dict[int, int] = {}
        if Path(address).exists():
            with open_records(address) as records:
                before = {session.id: len(records.entries(session.id)) for session in records.sessions()}
        told, was_killed = killed(rig, address, moment(chance, longest_s))
        found = compared(told, was_killed, before, address)
        total = Found(**{key: getattr(total, key) + getattr(found, key) for key in vars(total)})
        print(" ".join(f"{key} {value}" for key, value in vars(total).items()), file=sys.stderr, flush=True)
    return total


def made_rig(folder: Path) -> Path:
    """A rig of the virtual table, by a rehearsal."""

    def teller_of(clock: VirtualClock) -> Teller:
        return Teller(clock, True, io.StringIO(), io.StringIO())

    rehearse(PLAN, Stage(folder, TABLE_SEED, SIZE_PX), teller_of)
    return folder / "rig.json"


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--kills", type=int, default=200)
    reader.add_argument("--rig", type=Path, help=f"of the virtual table of seed {TABLE_SEED} at {SIZE_PX}")
    reader.add_argument("--within", type=float, metavar="SECONDS", help="kill within that (as long as a sitting takes)")
    reader.add_argument("--seed", type=int, default=1)
    told = reader.parse_args()
    cv2.setNumThreads(1)  # processes that part take no threads with them
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        rig = load_rig(told.rig or made_rig(Path(folder) / "rehearsal"))
        within_s = told.within or whole_sitting_s(rig)
        total = run(rig, str(Path(folder) / "journal.sqlite"), told.kills, random.Random(told.seed), within_s)
    print(f"| {' | '.join(vars(total))} | s |")
    print(f"|{' --- |' * (len(vars(total)) + 1)}")
    print(f"| {' | '.join(map(str, vars(total).values()))} | {time.monotonic() - began_s:.0f} |")
    sys.exit(bool(total.lost or total.double or total.wrong_end or total.untold > total.kills))


if __name__ == "__main__":
    main()
