"""Processes that write into records as fast as they can, and tell what they were promised.

    python -m tests.projector.records.writer ADDRESS COUNT NAME...

One process a name, each with a session of its own. Lines begin with the name: "ready PID", then of each session
"session ID", of each unit "unit UNIT" once it is kept, and "back UNIT" once a unit is marked as taken back. With a
count of 0 they go on, session after session, until they are killed.
"""

from __future__ import annotations

import json
import os
import sys
from datetime import UTC, datetime
from itertools import count

import psycopg  # noqa: F401 (loaded once, before the processes part)

from projector.records import store  # noqa: F401
from projector.records.journal import Journal

AT = datetime(2024, 5, 3, tzinfo=UTC)
IN_SESSION = 12  # units until a session is finished and another begins
BACK = 4  # of so many units one is taken back


def plan_of(name: str) -> str:
    return f'name = "{name}"'


def write(address: str, many: int, name: str) -> None:
    def say(*words: object) -> None:
        print(f"{name} {' '.join(map(str, words))}\n", end="", flush=True)  # in one piece: others write here too

    say("ready", os.getpid())
    with Journal.open(address) as journal:
        session = 0
        for i in range(many) if many else count():
            if not session or (not many and i % IN_SESSION == 0):
                if session:
                    journal.end(session, AT)
                session = journal.begin(AT, "pile", plan_of(name), "rig.json")
                say("session", session)
            unit = f"{name}-{i}"
            n = journal.record(session, unit, "fits", json.dumps({"event": "unit", "name": unit}), AT)
            say("unit", unit)
            if i % BACK == BACK - 1:
                journal.undo(session, n, AT)
                say("back", unit)


def main(address: str, many: int, names: list[str]) -> int:
    """How many of the processes failed by themselves."""
    for name in names:
        if os.fork() == 0:
            write(address, many, name)
            os._exit(0)
    codes = [os.waitstatus_to_exitcode(os.wait()[1]) for _ in names]
    return sum(code > 0 for code in codes)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2]), sys.argv[3:]))
