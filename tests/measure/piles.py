"""Whether a pile is counted right, and how long 40 spread units take, at a virtual table with a person who feeds it.

    python -m tests.measure.piles [--units 500] [--seeds 1] [--size 960x540]     the count
    python -m tests.measure.piles --spread 40                                    the time

The person lays one or several units, hears the verdicts, takes them away, and now and then nudges, slides or shuffles
them, lays two touching or one over another, drops one over the mat's edge, lays one face down, leaves the hand in the
picture, waves, or lays more beside what lies there. Pictures are generated; camera and light are known exactly.
"""

from __future__ import annotations

import argparse
import io
import resource
import statistics
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from projector.guide.looks import Look, MatCleared
from projector.guide.pile.machine import begin, step
from projector.guide.sitting import USUAL
from projector.light.showing import show
from projector.piles.piling import pile
from projector.records.journal import Journal
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.person.feeding import PileToFeed, Prank
from projector.rehearsal.setting import setting_of
from projector.rehearsal.truth import Truth
from projector.rehearsal.world import VirtualTable
from projector.seeing.looking import EMPTY_FRAMES, FRAMES
from projector.seeing.measuring import Gauge
from projector.seeing.taking import Taken, take
from projector.table.bench import Bench
from projector.table.devices import Table
from projector.telling.events import Event, Teller
from tests.projector.exactrig import exact_rig
from vision.comparing.expected import ExpectedShape
from vision.measure import PLAIN_CLOTH
from vision.pile import sum_up

DIAMOND = np.array([[0.0, 0.0], [80.0, 0.0], [110.0, 70.0], [30.0, 70.0]])  # its mirror image is another shape
SMALL = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 60.0], [0.0, 60.0]])  # 40 of them lie on the mat
LATENCY_S = 0.15  # of the virtual devices, with a frame to spare
PRANKS: dict[Prank, float] = {
    "nudge": 0.1,
    "slide": 0.1,
    "shuffle": 0.1,
    "touching": 0.1,
    "overlapping": 0.1,
    "linger": 0.05,
    "half_off": 0.05,
    "turned": 0.1,
    "wave": 0.05,
    "again": 0.1,
}
LOTS = (1, 1, 1, 2, 3, 5, 8)


@dataclass(frozen=True)
class Counted:
    """A pile that was judged: how many stand, how many there truly were, what was told."""

    counted: int
    verdicts: dict[str, int]
    truth: Truth
    events: list[Event] = field(repr=False)
    judged_s: float  # of this machine
    kept: int  # in the records, what was taken back left out


def feeder_table(
    seed: int, feed: PileToFeed, size_px: tuple[int, int], events: list[Event]
) -> tuple[VirtualTable, Table, Teller]:
    """A table with a feeder, and its devices, whose latency is known."""
    world, clock = VirtualTable(setting_of(seed, size_px, size_px), feed, seed), VirtualClock()
    teller = Teller(clock, True, io.StringIO(), io.StringIO(), [events.append])
    teller.listen(lambda event: world.hears(event, clock.now_s()))
    table = Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, teller)
    table.latency_s = LATENCY_S
    return world, table, teller


def counted(
    seed: int,
    units: int,
    size_px: tuple[int, int] = (960, 540),
    at_once: tuple[int, ...] = LOTS,
    clumsy: Mapping[Prank, float] = PRANKS,
) -> Counted:
    """Judge one pile from its first unit to its last."""
    events: list[Event] = []
    feed = PileToFeed(DIAMOND, units, at_once, clumsy=clumsy)
    world, table, teller = feeder_table(seed, feed, size_px, events)
    began_s = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder, Journal.open(Path(folder) / "pile.sqlite", teller.tell) as journal:
        session = journal.begin(datetime.now().astimezone(), "pile", "", "exact")
        bench = Bench(table, exact_rig(setting_of(seed, size_px, size_px)), journal, session)
        found = pile(bench, ExpectedShape("fed", DIAMOND), USUAL)
        kept = len(journal.records.units(session))
    return Counted(
        len(found.units), sum_up(found.units).verdicts, world.close(), events, time.perf_counter() - began_s, kept
    )


def spread(units: int, size_px: tuple[int, int]) -> None:
    """Print the time from the picture at rest to the signs in the light, of one unit and of many, and the memory."""
    taken = {count: _lit(count, size_px) for count in (1, units)}
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    seconds: dict[int, list[float]] = {1: [], units: []}
    for _ in range(5):
        for count, (gauge, at_rest, table) in taken.items():
            began_s = time.perf_counter()
            expected = ExpectedShape("small", SMALL)
            state = step(begin(expected, _area(gauge), USUAL).state, MatCleared()).state
            seen = gauge.answer(at_rest, Look("units", (expected,)))
            turn = step(state, seen)
            assert turn.state.number == count, f"{turn.state.number} of {count} were judged"
            show(table, gauge.rig, turn.scene)
            seconds[count].append(time.perf_counter() - began_s)
    one_s, many_s = (statistics.median(seconds[count]) for count in (1, units))
    most_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
    print(f"{size_px[0]}x{size_px[1]}, from the picture at rest to the signs in the light, the median of 5:")
    print(
        f"1 unit {one_s:.2f} s, {units} units {many_s:.2f} s: {units / many_s:.1f} units/s, {many_s / one_s:.1f} times"
    )
    print(f"memory: {most_mb:.0f} MB more than before")


def _area(gauge: Gauge) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in gauge.rig.area_mat_mm)


def _lit(units: int, size_px: tuple[int, int]) -> tuple[Gauge, Taken, Table]:
    """Pictures of so many units in the lamp's light, and a gauge that knows the bare mat."""
    world, table, _ = feeder_table(1, PileToFeed(SMALL, units, (units,)), size_px, [])
    gauge = Gauge.of(exact_rig(setting_of(1, size_px, size_px)), PLAIN_CLOTH)
    gauge = gauge.with_mat(take(table, EMPTY_FRAMES))
    world.hears({"event": "ask", "what": "unit"}, table.clock.now_s())
    table.clock.wait_s(2.0)
    return gauge, take(table, FRAMES), table


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--units", type=int, default=500)
    reader.add_argument("--seeds", type=int, nargs="+", default=[1])
    reader.add_argument("--size", default="960x540")
    reader.add_argument("--spread", type=int)
    told = reader.parse_args()
    wide, high = (int(part) for part in told.size.split("x"))
    if told.spread is not None:
        spread(told.spread, (wide, high))
        return
    for seed in told.seeds:
        found = counted(seed, told.units, (wide, high))
        refused = sum((one["event"], one.get("what")) == ("refused", "unit") for one in found.events)
        print(
            f"seed {seed}: {found.counted} counted ({found.verdicts}), {found.kept} in the records, "
            f"{len(found.truth.units)} true; "
            f"{refused} to be laid again, {found.judged_s:.0f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
