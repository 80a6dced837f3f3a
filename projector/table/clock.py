"""Time at the edge: the loops are handed a clock, so a rehearsal can run faster than life."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Seconds since the app's start, and a way to let them pass."""

    def now_s(self) -> float: ...

    def wait_s(self, seconds: float) -> None: ...


class WallClock:
    """The clock of the real world."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def now_s(self) -> float:
        return time.monotonic() - self._start

    def wait_s(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))
