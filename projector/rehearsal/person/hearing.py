"""What the virtual person makes of the app's events, and how long what was refused is laid anew."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Action = Generator[float, None, None]
Event = Mapping[str, Any]

LISTEN_S, SILENT_S = 0.2, 20.0  # between two moments of listening, and until silence is an answer
TRIES = 3  # before the person goes on without


def kept_side(event: Event) -> tuple[str, Floats] | None:
    """Which side is kept, as the mark in the light says it, and the rough direction that it is said along."""
    ends, keep = event.get("cut_mat_mm"), event.get("keep")
    if ends is None or keep is None:
        return None
    return str(keep), np.subtract(ends[1], ends[0])


def request(event: Event) -> tuple[object, ...]:
    """What makes two requests the same."""
    return tuple(event.get(key) for key in ("what", "n", "name", "unit", "purpose", "side"))


def anew(lay: Callable[[], Action], is_told: Callable[[], bool], go_on: Callable[[], None]) -> Action:
    """Lay anew what was refused, until the app says something. What it says once it need not say again, so in silence
    it is laid anew some more times; in the end the person goes on without.
    """
    for _ in range(TRIES):
        yield from lay()
        silent_s = 0.0
        while silent_s < SILENT_S and not is_told():
            yield LISTEN_S
            silent_s += LISTEN_S
        if is_told():
            return
    go_on()
