"""A pile in a recording: time is the film's own, nothing is shown, and what was kept of it before is not kept twice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from projector.records.sessions import Entry, line_of
from projector.table.bench import Keeper
from vision.frames.cameras import Camera, Frame


class FilmTime:
    """A clock that only the frames move on: however slow the computer is, a film is judged alike."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def now_s(self) -> float:
        return self.t_s

    def wait_s(self, seconds: float) -> None:
        """The next frame comes when it is read."""


class Watched:
    """A camera of whose every frame the time is told before it is given."""

    def __init__(self, camera: Camera, hears: Callable[[float], None]) -> None:
        self._camera, self._hears = camera, hears

    def read(self) -> Frame:
        frame = self._camera.read()
        self._hears(frame.t_s)
        return frame

    def close(self) -> None:
        self._camera.close()


class NoLight:
    """A display where there is none; nobody presses a key."""

    size_px = (16, 9)

    def show(self, picture: NDArray[np.uint8]) -> None:
        """Nothing is shown."""

    def keys(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing to give back."""


class Again:
    """Keeps what is judged of a film that was judged before up to somewhere: what is in the records stays as it is.

    As soon as something comes out otherwise than before, what is left of before is taken back, and all is kept anew.
    """

    def __init__(self, journal: Keeper, before: Sequence[Entry]) -> None:
        self._journal, self._before = journal, list(before)

    def keep_all(self, session: int, events: Sequence[Mapping[str, object]], at: datetime) -> list[int]:
        known = self._before[: len(events)]
        if known and [one.line for one in known] == [line_of(event) for event in events]:
            del self._before[: len(events)]
            return [one.n for one in known]
        if events:
            for one in self._before:
                if one.undone is None:
                    self._journal.undo(session, one.n, at)
            self._before.clear()
        return self._journal.keep_all(session, events, at)

    def undo(self, session: int, n: int, at: datetime) -> None:
        self._journal.undo(session, n, at)
