"""Processes that write into one database of records, killed at random moments: what was told, and what is kept.

    python -m tests.measure.kills [--kills 200] [--at-once 4] [--records ADDRESS] [--seed 1]

Without an address it is a new SQLite file. A unit is lost if its process was told that it is kept and it is not there;
one may be kept and not told yet when its process is killed. After each round the records are opened and read anew.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from projector.records.opening import open_records
from projector.records.store import Store
from tests.projector.records.writer import plan_of


@dataclass
class Told:
    """What one process said before it was killed."""

    name: str
    sessions: list[int] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    back: list[str] = field(default_factory=list)

    def hear(self, what: str, which: str) -> None:
        match what:
            case "session":
                self.sessions.append(int(which))
            case "unit":
                self.units.append(which)
            case "back":
                self.back.append(which)


@dataclass
class Found:
    """Totals over all processes."""

    kills: int = 0
    told: int = 0
    lost: int = 0
    double: int = 0
    mixed: int = 0  # in another session than its process began, or out of order
    not_back: int = 0  # told to be taken back, and not
    not_offered: int = 0  # sessions that are not offered to be gone on with
    untold: int = 0  # kept, and its process was killed before it said so: at most one a kill

    def good(self) -> bool:
        wrong = self.lost, self.double, self.mixed, self.not_back, self.not_offered
        return not any(wrong) and self.untold <= self.kills


@dataclass(frozen=True)
class Moment:
    """When a process is killed: so long after it said that so many units are kept."""

    units: int
    then_s: float


def moment(chance: random.Random) -> Moment:
    """One in four while the records are opened and the first session begins, the others anywhere later."""
    units = chance.choice((0, chance.randint(1, 8), chance.randint(9, 16), chance.randint(17, 30)))
    return Moment(units, chance.uniform(0.0, 0.05))


def killed(address: str, moments: dict[str, Moment]) -> list[Told]:
    """Let processes write at once, kill each at its moment, and hear what they had said."""
    told, pids, timers = {name: Told(name) for name in moments}, dict[str, int](), dict[str, threading.Timer]()
    with processes(address, 0, list(moments)) as lines:
        for name, *words in map(str.split, lines):
            told[name].hear(*words)
            if words[0] == "ready":
                pids[name] = int(words[1])
            if name not in timers and len(told[name].units) >= moments[name].units:
                timers[name] = threading.Timer(moments[name].then_s, os.kill, (pids[name], signal.SIGKILL))
                timers[name].start()
    return list(told.values())


@contextmanager
def processes(address: str, many: int, names: list[str]) -> Iterator[IO[str]]:
    """What they say, line by line; when they have ended, none may have failed."""
    command = [sys.executable, "-m", "tests.projector.records.writer", address, str(many), *names]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        yield parent.stdout
    assert parent.returncode == 0, "a process failed by itself"


def compared(store: Store, told: Told) -> Found:
    """What the records hold of one process."""
    mine = [session for session in store.sessions() if session.plan == plan_of(told.name)]
    kept = {session.id: store.entries(session.id) for session in mine}
    names = Counter(entry.name or "" for entries in kept.values() for entry in entries)
    back = {entry.name for entries in kept.values() for entry in entries if entry.undone}
    order = [entry.name for id_ in sorted(kept) for entry in kept[id_]]
    ours = [f"{told.name}-{i}" for i in range(len(order))]
    gaps = sum([entry.n for entry in entries] != list(range(1, len(entries) + 1)) for entries in kept.values())
    left = store.unfinished(plan_of(told.name), "pile", platform.node())
    open_ones = [session.id for session in mine if session.ended is None]
    return Found(
        kills=1,
        told=len(told.units),
        lost=sum(unit not in names for unit in told.units) + len(set(told.sessions) - kept.keys()),
        double=sum(many - 1 for many in names.values()),
        mixed=(order != ours) + gaps,
        not_back=sum(unit not in back for unit in told.back),
        not_offered=int((left.id if left else None) != (open_ones[-1] if open_ones else None) or len(open_ones) > 1),
        untold=len(order) - len(told.units),
    )


def round_of(address: str, names: list[str], chance: random.Random) -> Found:
    """Processes at once, each killed at a moment of its own; the records are opened after that."""
    told = killed(address, {name: moment(chance) for name in names})
    with open_records(address, make=True) as store:
        return summed([compared(store, one) for one in told])


def summed(found: list[Found]) -> Found:
    return Found(**{key: sum(getattr(one, key) for one in found) for key in vars(Found())})


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--kills", type=int, default=200)
    reader.add_argument("--at-once", type=int, default=4)
    reader.add_argument("--records", metavar="ADDRESS")
    reader.add_argument("--seed", type=int, default=1)
    told = reader.parse_args()
    chance, began_s, rounds = random.Random(told.seed), time.monotonic(), list[Found]()
    with tempfile.TemporaryDirectory() as folder:
        address = told.records or str(Path(folder) / "journal.sqlite")
        for first in range(0, told.kills, told.at_once):
            names = [f"table{first + i}" for i in range(min(told.at_once, told.kills - first))]
            rounds.append(round_of(address, names, chance))
    total = summed(rounds)
    print(f"| {' | '.join(vars(total))} | s |")
    print(f"|{' --- |' * (len(vars(total)) + 1)}")
    print(f"| {' | '.join(map(str, vars(total).values()))} | {time.monotonic() - began_s:.0f} |")
    sys.exit(not total.good())


if __name__ == "__main__":
    main()
