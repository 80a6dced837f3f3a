"""A cut or a pile at the virtual table, killed at random moments and gone on with: what was told, and what is kept.

    python -m tests.measure.kills_at_table [--kills 200] [--rig RIG] [--seed 1]
    python -m tests.measure.kills_at_table --pile [--kills 200] [--seed 1]

Half of the kills fall anywhere in the first 0.7 of a sitting that does all of the plan, the others within 30 ms after
the file of records was written, when a unit is kept and being told. Each sitting accepts unasked to go on with what
was left; when the plan is done, the next begins it anew. Without a rig it is one that is exactly right. Processes part
from this one, so that none has to start.
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
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import cv2

from calibration.rig import Rig
from calibration.rigfile import load_rig
from projector.commands import cut
from projector.commands import pile as pile_command
from projector.guide.sitting import USUAL
from projector.guide.units.state import wanted_of
from projector.guided import guide
from projector.piecing.planfile import load_plan
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.piles.piling import pile
from projector.records.journal import HOST, Journal
from projector.records.opening import open_records
from projector.records.sessions import Entry
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.person.feeding import PileToFeed
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.setting import setting_of
from projector.rehearsal.world import VirtualTable, virtual_table
from projector.setup.looking import settle
from projector.table.bench import Bench
from projector.table.devices import Table
from projector.table.goingon import carried_from, verdicts_of
from projector.telling.events import Teller
from tests.measure.piles import LATENCY_S, SMALL
from tests.projector.exactrig import exact_rig

PLAN = load_plan(Path(__file__).parents[2] / "fixtures" / "plans" / "small.toml")
SIZE_PX, TABLE_SEED = (960, 540), 5
SOON_S, MOST_CHANGES = 0.03, 4


@dataclass
class Found:
    """Totals over all sittings."""

    kills: int = 0
    finished: int = 0  # sittings that came to the plan's end before they were killed
    gone_on: int = 0  # sittings that went on with what was left
    told: int = 0  # units
    lost: int = 0  # of them, not in the records as they were told
    double: int = 0  # units that are not the next of their kind
    untold: int = 0  # kept, and killed before it was told: at most one look's a kill
    wrong_end: int = 0  # finished plans with more or fewer units than they want
    not_offered: int = 0  # what was left, and is not found to be gone on with

    def good(self, at_once: int) -> bool:
        wrong = self.lost, self.double, self.wrong_end, self.not_offered
        return not any(wrong) and self.untold <= self.kills * at_once


@dataclass(frozen=True)
class Led:
    """What is led and killed."""

    command: str
    text: str  # by which a session that was left is known again
    wanted: int
    at_once: int  # units that one look may see
    world: Callable[[Journal], VirtualTable]
    lead: Callable[[Table, Rig, Journal], None]  # one sitting, as the command leads it with --resume
    made: Callable[[Sequence[Entry]], int]


def sit(led: Led, rig: Rig, address: str, out: TextIO) -> None:
    """One sitting, at the table that the rig belongs to."""
    clock = VirtualClock()
    teller = Teller(clock, True, out, io.StringIO())
    with Journal.open(address, teller.tell) as journal:
        world = led.world(journal)
        teller.listen(lambda event: world.hears(event, clock.now_s()))
        led.lead(Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, teller), rig, journal)


ASKED = Namespace(resume=True, anew=False, rig="rig.json")


def cut_on(table: Table, rig: Rig, journal: Journal) -> None:
    settle(table)
    found = cut.session_for(ASKED, PLAN, journal, table, rig, USUAL)
    assert found is not None
    session, carried = found
    if not guide(Bench(table, rig, journal, session), PLAN, carried).stopped:
        journal.end(session, datetime.now().astimezone())


CUT = Led(
    "cut",
    plan_text(PLAN),
    PLAN.wanted,
    1,
    lambda journal: virtual_table(TABLE_SEED, work_of(PLAN), SIZE_PX, SIZE_PX),
    cut_on,
    lambda entries: sum(carried_from(PLAN, entries).made),
)

HEAP = Plan("heap", (Strip("brown", 60.0, 1000.0),), (Unit("small", Cut("brown", 8, 60.0)),))
HEAP_TEXT = f"# pile of {HEAP.units[0].name}\n{plan_text(HEAP)}"


def rest_of_heap(journal: Journal) -> VirtualTable:
    """The person goes on with the units that have no verdict yet."""
    left = journal.unfinished(HEAP_TEXT, "pile")
    done = 0 if left is None else len(journal.records.units(left.id))
    feed = PileToFeed(SMALL, max(HEAP.wanted - done, 1), (1, 2, 3))
    return VirtualTable(setting_of(TABLE_SEED, SIZE_PX, SIZE_PX), feed, TABLE_SEED)


def pile_on(table: Table, rig: Rig, journal: Journal) -> None:
    table.latency_s = LATENCY_S
    found = pile_command.session_for(ASKED, pile_command.Wished(HEAP, HEAP.units[0], None), journal, table, rig, USUAL)
    assert found is not None
    session, earlier = found
    expected = wanted_of(HEAP, HEAP.units[0])
    if not pile(Bench(table, rig, journal, session), expected, USUAL, HEAP.wanted, verdicts_of(earlier)).stopped:
        journal.end(session, datetime.now().astimezone())


PILE = Led("pile", HEAP_TEXT, HEAP.wanted, 3, rest_of_heap, pile_on, lambda entries: sum(map(_counts, entries)))


@dataclass(frozen=True)
class Moment:
    """When a sitting is killed: after so many changes of the file of records, and so long after that."""

    changes: int
    then_s: float


def moment(chance: random.Random, longest_s: float) -> Moment:
    """Sittings that go on with little left end before some of these; what ends is begun anew."""
    if chance.random() < 0.5:
        return Moment(0, chance.uniform(0.0, longest_s))
    return Moment(chance.randint(1, MOST_CHANGES), chance.uniform(0.0, SOON_S))


def killed(led: Led, rig: Rig, address: str, when: Moment | None) -> tuple[list[dict[str, Any]], bool]:
    """A sitting in a process of its own: what it told, and whether it was killed."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reads)
        code = 1
        try:
            with os.fdopen(writes, "w") as out:
                sit(led, rig, address, out)
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


def compared(led: Led, told: list[dict[str, Any]], was_killed: bool, before: dict[int, int], address: str) -> Found:
    """What the records hold of one sitting; `before` is how many entries each session had."""
    with open_records(address, make=True) as records:
        kept = {session.id: records.entries(session.id) for session in records.sessions()}
        ended = {session.id for session in records.sessions() if session.ended is not None}
        offered = records.unfinished(led.text, led.command, HOST)
    said = [event for event in told if event["event"] == "unit"]
    fresh = [entry for id_, entries in kept.items() for entry in entries[before.get(id_, 0) :]]
    events = [dict(entry.event()) for entry in fresh]
    orders = [[entry.event()["n"] for entry in entries if _counts(entry)] for entries in kept.values()]
    ends = [led.made(kept[id_]) for id_ in ended]
    left = [id_ for id_, entries in kept.items() if entries and id_ not in ended]
    return Found(
        kills=int(was_killed),
        finished=int(not was_killed),
        gone_on=sum(event.get("what") == "unfinished_session" for event in told),
        told=len(said),
        lost=sum({key: value for key, value in event.items() if key != "t"} not in events for event in said),
        double=sum(order != list(range(1, len(order) + 1)) for order in orders),
        untold=len(fresh) - len(said),
        wrong_end=sum(made != led.wanted for made in ends),
        not_offered=sum(offered is None or offered.id != id_ for id_ in left),
    )


def _counts(entry: Entry) -> bool:
    return entry.undone is None and entry.event().get("counts", True) is not False


def whole_sitting_s(led: Led, rig: Rig) -> float:
    """How long a sitting takes that nobody kills."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        killed(led, rig, str(Path(folder) / "j"), None)
    return time.monotonic() - began_s


def run(led: Led, rig: Rig, address: str, kills: int, chance: random.Random, longest_s: float) -> Found:
    """So many kills, and as many sittings as that takes."""
    total = Found()
    while total.kills < kills:
        before: dict[int, int] = {}
        if Path(address).exists():
            with open_records(address) as records:
                before = {session.id: len(records.entries(session.id)) for session in records.sessions()}
        told, was_killed = killed(led, rig, address, moment(chance, longest_s))
        found = compared(led, told, was_killed, before, address)
        total = Found(**{key: getattr(total, key) + getattr(found, key) for key in vars(total)})
        print(" ".join(f"{key} {value}" for key, value in vars(total).items()), file=sys.stderr, flush=True)
    return total


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--kills", type=int, default=200)
    reader.add_argument("--pile", action="store_true", help="a pile instead of a cut")
    reader.add_argument("--rig", type=Path, help=f"of the virtual table of seed {TABLE_SEED} at {SIZE_PX}")
    reader.add_argument(
        "--within", type=float, metavar="SECONDS", help="kill within that (0.7 of what a sitting takes)"
    )
    reader.add_argument("--seed", type=int, default=1)
    told = reader.parse_args()
    cv2.setNumThreads(1)  # processes that part take no threads with them
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        led = PILE if told.pile else CUT
        rig = load_rig(told.rig) if told.rig else exact_rig(setting_of(TABLE_SEED, SIZE_PX, SIZE_PX))
        within_s = told.within or 0.7 * whole_sitting_s(led, rig)
        print(f"kills fall within {within_s:.1f} s", file=sys.stderr, flush=True)
        total = run(led, rig, str(Path(folder) / "journal.sqlite"), told.kills, random.Random(told.seed), within_s)
    print(f"| {' | '.join(vars(total))} | s |")
    print(f"|{' --- |' * (len(vars(total)) + 1)}")
    print(f"| {' | '.join(map(str, vars(total).values()))} | {time.monotonic() - began_s:.0f} |")
    sys.exit(not total.good(led.at_once))


if __name__ == "__main__":
    main()
