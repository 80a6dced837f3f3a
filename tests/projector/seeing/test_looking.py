"""A look at the mat: what was measured of a scene that did not stay is dropped, and nothing waits for the measuring."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
import pytest

from projector.guide.looks import Look, MatCleared, Seen
from projector.seeing.beside import AtOnce
from projector.seeing.looking import EMPTY_FRAMES, FRAMES, LONGER, NotClear, Seeing
from projector.seeing.measuring import Gauge
from projector.seeing.taking import Taken, take
from projector.table.devices import Disturbed, Pressed, Still
from tests.projector.table.test_devices import FRAME_S, FakeCamera, Set, dark
from vision.units import Judged, MeasuredUnit

UNITS = Look("units")


@dataclass
class FakeGauge:
    """Stands for the measuring: what it was handed, and an answer."""

    mat: object | None = None
    bare: bool = True
    measured: list[Taken] = field(default_factory=list)
    says: Seen = field(default_factory=lambda: Seen(()))

    def with_mat(self, taken: Taken) -> FakeGauge:
        return FakeGauge(taken, self.bare, self.measured)

    def is_bare(self, taken: Taken) -> bool:
        return self.bare

    def answer(self, taken: Taken, look: Look) -> Seen:
        self.measured.append(taken)
        return self.says


@dataclass
class Later:
    """A measurer that is done when it has been asked so many times."""

    times: int
    do: Callable[[], Any]
    asked: int = 0

    def done(self) -> bool:
        self.asked += 1
        return self.asked >= self.times

    def result(self) -> Any:
        return self.do()


@dataclass
class SlowWorker:
    times: int
    begun: list[Later] = field(default_factory=list)

    def begin(self, do: Callable[[], Any]) -> Later:
        self.begun.append(Later(self.times, do))
        return self.begun[-1]


def still_at(room: Set) -> tuple[Any, Still]:
    table = room.table()
    table.throw(dark(40))
    return table, table.glance()


def test_the_mat_is_lit_and_unlit_and_the_light_comes_back() -> None:
    room = Set()
    table, _ = still_at(room)
    taken = take(table, 3)
    assert [int(picture.mean()) for picture in room.display.shown] == [40, 255, 0, 40]
    assert (len(taken.lit), len(taken.dark)) == (3, 3)


def test_the_bare_mat_comes_first_and_then_what_is_looked_for() -> None:
    room, gauge = Set(), FakeGauge()
    table, still = still_at(room)
    seeing = Seeing(table, cast(Gauge, gauge), AtOnce())
    assert isinstance(seeing.look(still, Look("bare")), MatCleared)
    assert seeing.look(still, UNITS) == Seen(())
    assert len(gauge.measured[0].lit) == FRAMES < EMPTY_FRAMES
    assert np.shares_memory(seeing.latest, gauge.measured[0].lit[-1])


def test_what_lies_on_the_mat_keeps_it_from_being_kept_until_the_person_says_so() -> None:
    table, still = still_at(Set())
    seeing = Seeing(table, cast(Gauge, FakeGauge(bare=False)), AtOnce())
    assert seeing.look(still, Look("bare")) == NotClear()
    seeing.take_mat_as_it_is()
    assert seeing.look(still, UNITS) == Seen(())


def test_a_hand_that_comes_while_it_is_measured_drops_what_was_measured() -> None:
    room, gauge, worker = Set(), FakeGauge(mat=True), SlowWorker(30)
    table, still = still_at(room)
    seeing = Seeing(table, cast(Gauge, gauge), worker)
    table.camera = FakeCamera(room.clock, moves_until_s=1e9, moves_from_s=room.clock.now_s() + 4.0)
    assert isinstance(seeing.look(still, UNITS), Disturbed)
    (work,) = worker.begun
    assert 0 < work.asked < 30  # it was still at work, and the loop had gone on
    assert gauge.measured == []  # nobody asked for the result


def test_a_hand_in_the_lamps_light_is_noticed_though_it_is_gone_afterwards() -> None:
    room, worker = Set(), SlowWorker(1)
    table, still = still_at(room)
    now = room.clock.now_s()
    table.camera = FakeCamera(room.clock, moves_from_s=now, moves_until_s=now + table.latency_s + 2.5 * FRAME_S)
    assert isinstance(Seeing(table, cast(Gauge, FakeGauge(mat=True)), worker).look(still, UNITS), Disturbed)
    assert worker.begun == []  # it is not even measured


def test_a_key_is_heard_while_it_is_measured() -> None:
    room, worker = Set(), SlowWorker(30)
    table, still = still_at(room)
    room.display.pressed = ["q"]
    assert Seeing(table, cast(Gauge, FakeGauge(mat=True)), worker).look(still, UNITS) == Pressed(("q",))


def test_a_slow_measurer_is_waited_for_frame_by_frame() -> None:
    room, gauge, worker = Set(), FakeGauge(mat=True), SlowWorker(30)
    table, still = still_at(room)
    assert Seeing(table, cast(Gauge, gauge), worker).look(still, UNITS) == Seen(())
    assert worker.begun[0].asked == 30


@pytest.mark.parametrize(
    ("trouble", "frames"), [("unsure", [FRAMES, LONGER]), ("touching", [FRAMES]), (None, [FRAMES])]
)
def test_what_noise_leaves_unsure_is_looked_at_longer(trouble: str | None, frames: list[int]) -> None:
    square = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    unit = MeasuredUnit(square, *(np.full(4, 0.6) for _ in range(4)), widths=(), trouble=trouble)
    table, still = still_at(Set())
    gauge = FakeGauge(mat=True, says=Seen((Judged(unit),)))
    assert Seeing(table, cast(Gauge, gauge), AtOnce()).look(still, UNITS) is gauge.says
    assert [len(taken.lit) for taken in gauge.measured] == frames


def test_nothing_can_be_shown_before_the_first_look() -> None:
    table, _ = still_at(Set())
    with pytest.raises(ValueError, match="nothing"):
        _ = Seeing(table, cast(Gauge, FakeGauge()), AtOnce()).latest
