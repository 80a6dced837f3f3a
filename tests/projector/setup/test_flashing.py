"""Nothing flashes more than three times a second, by what a virtual display was really handed.

A flash is a pair of opposing changes of relative luminance by 10 % of white or more, the darker of the two being below
80 %; no more than three within any second: W3C, WCAG 2.2, success criterion 2.3.1 and "general flash".
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from projector.commands.devices import SLOW_S
from projector.light.latency import measure_latency
from projector.rehearsal.devices import VirtualClock
from projector.setup.looking import announce_flashing
from projector.table.devices import PACE_S, Picture, Table
from projector.telling.events import Event, Teller
from vision.frames.cameras import Frame

STEP, DARKER = 0.1, 0.8  # of white
Shown = Sequence[tuple[float, Picture]]


def most_flashes(shown: Shown) -> int:
    """The most flashes of any pixel within any second."""
    times = np.array([t for t, _ in shown])
    light = np.array([linear_from_srgb(p[..., ::-1] / 255.0) @ [0.2126, 0.7152, 0.0722] for _, p in shown])
    light = light.reshape(len(times), -1)
    changed = _opposing_changes(light)
    most = 0
    for first, start in enumerate(times):
        within = (times >= start) & (times < start + 1.0) & (np.arange(len(times)) >= first)
        most = max(most, int(changed[within].sum(axis=0).max()) // 2)
    return most


def _opposing_changes(light: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(T, P): whether a pixel turned from rising to falling, or back, by as much as counts."""
    turned = np.zeros(light.shape, bool)
    extreme, way = light[0].copy(), np.zeros(light.shape[1])
    for k, now in enumerate(light[1:], 1):
        step = now - extreme
        counts = (np.abs(step) >= STEP) & (np.minimum(now, extreme) < DARKER) & (np.sign(step) != way)
        turned[k] = counts
        way = np.where(counts, np.sign(step), way)
        further = counts | (np.sign(step) == way)
        extreme = np.where(further, now, extreme)
    return turned


class Bare:
    """A camera without any delay over a display that keeps what it was handed."""

    size_px = (8, 6)

    def __init__(self) -> None:
        self.clock, self.shown, self.told = VirtualClock(), list[tuple[float, Picture]](), list[Event]()

    def show(self, picture: Picture) -> None:
        self.shown.append((self.clock.now_s(), picture.copy()))

    def keys(self) -> list[str]:
        return []

    def close(self) -> None: ...

    def read(self) -> Frame:
        self.clock.wait_s(0.01)
        return Frame(np.repeat(np.repeat(self.shown[-1][1], 20, axis=0), 20, axis=1), self.clock.now_s())

    def table(self) -> Table:
        teller = Teller(self.clock, True, io.StringIO(), io.StringIO(), [self.told.append])
        table = Table(self, self, self.clock, teller)
        table.latency_s = 0.0
        return table


def blinking(seconds: float, between_s: float) -> Shown:
    dark, lit = (np.full((2, 2, 3), level, np.uint8) for level in (0, 255))
    return [(k * between_s, lit if k % 2 else dark) for k in range(int(seconds / between_s))]


@pytest.mark.parametrize(("between_s", "flashes"), [(0.0625, 8), (0.125, 4), (0.17, 3), (0.25, 2), (0.6, 1)])
def test_the_count_itself_is_right(between_s: float, flashes: int) -> None:
    """A change each 0.125 s: eight of them begin in a second, four pairs; half as far apart twice as many."""
    assert most_flashes(blinking(5.0, between_s)) == flashes


def test_small_changes_and_changes_of_what_is_nearly_white_do_not_count() -> None:
    for low, high in ((100, 120), (235, 255)):
        pair = [np.full((1, 1, 3), level, np.uint8) for level in (low, high)]
        assert most_flashes([(0.01 * k, pair[k % 2]) for k in range(50)]) == 0


def test_a_whole_calibration_does_not_flash_more_than_three_times_a_second(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Blink, device check, tone, patterns, dots: everything that was shown on the way."""
    assert len(calibrated.shown) > 80
    assert 1 <= most_flashes(calibrated.shown) <= 3
    told = [event for event in calibrated.events if event.get("what") == "flashing"]
    assert len(told) == 2  # before the blink, and before the stripes
    assert all("look away" in event["do"] and "--slow" in event["do"] for event in told)


@pytest.mark.parametrize(("pace_s", "most"), [(PACE_S, 3), (SLOW_S, 1)])
def test_however_fast_the_devices_are_the_light_changes_at_its_pace(pace_s: float, most: int) -> None:
    bare = Bare()
    table = bare.table()
    table.pace_s = pace_s
    for k in range(40):
        table.throw(np.full((6, 8, 3), 255 * (k % 2), np.uint8))
        table.look()
    assert most_flashes(bare.shown) <= most
    measure_latency(bare, bare, bare.clock, pace_s if pace_s == SLOW_S else 0.0)
    assert most_flashes(bare.shown[-5:]) <= most


def test_flashing_is_announced_before_it_begins_and_the_slow_way_is_named_only_where_it_is_not_taken() -> None:
    bare = Bare()
    table = bare.table()
    announce_flashing(table, "stripes follow", 2.0)
    table.pace_s = SLOW_S
    announce_flashing(table, "stripes follow")
    first, second = bare.told
    assert bare.clock.now_s() == 2.0
    assert "--slow" in first["do"]
    assert "--slow" not in second["do"]
