"""The day's longer list, and what is said where the cautions cannot be read. A made-up table; no outside source."""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from shapely import Polygon, box

from calibration.pinhole import Lens, Pinhole
from calibration.rig import Device, Rig
from projector.guide.scene.cautions import CAUTIONS, LONGER_LIST
from projector.guide.sitting import USUAL
from projector.light.showing import lit_mat
from projector.records.journal import Journal
from projector.rehearsal.devices import VirtualClock
from projector.table.devices import Table
from projector.table.opening import read_longer_list, readable_cautions
from projector.telling.events import Event, Teller
from projector.telling.sentences import sentence
from vision.frames.cameras import Frame
from vision.light import LINEAR_OF_BYTE, srgb_from_linear

Picture = NDArray[np.uint8]
SIZE_PX = (620, 440)  # a pixel a millimetre, on a mat of 600 x 420 mm
AREA = np.array([[0.0, 0.0], [600.0, 0.0], [600.0, 420.0], [0.0, 420.0]])
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC).astimezone()


def overhead() -> Pinhole:
    turn = np.diag([1.0, -1.0, -1.0])
    lens = Lens(SIZE_PX, (1000.0, 1000.0), (SIZE_PX[0] / 2, SIZE_PX[1] / 2))
    return Pinhole(lens, turn, -turn @ np.array([300.0, 210.0, 1000.0]))


@dataclass
class Room:
    """An even mat under a projector; somebody who presses keys, one each time nothing else is going on."""

    mat: float = 0.1  # over paper
    room: float = 0.1  # its light over the lamp's
    pressed: list[str] = field(default_factory=list)
    shown: list[Picture] = field(default_factory=list)
    told: list[Event] = field(default_factory=list)
    dims_to: float | None = None  # the room's light after the first key
    size_px: tuple[int, int] = SIZE_PX
    clock: VirtualClock = field(default_factory=VirtualClock)

    def show(self, picture: Picture) -> None:
        self.shown.append(picture)

    def keys(self) -> list[str]:
        self.clock.wait_s(1.0)
        keys = [self.pressed.pop(0)] if self.pressed else []
        if keys and self.dims_to is not None:
            self.room = self.dims_to
        return keys

    def close(self) -> None: ...

    def read(self) -> Frame:
        self.clock.wait_s(0.1)
        light = 0.8 * self.mat * (LINEAR_OF_BYTE[self.shown[-1]].astype(float) + self.room) / (1.0 + self.room)
        return Frame(np.rint(255 * srgb_from_linear(light)).astype(np.uint8), self.clock.now_s())

    def table(self) -> Table:
        teller = Teller(self.clock, True, io.StringIO(), io.StringIO(), [self.told.append])
        return Table(self, self, self.clock, teller)

    def rig(self, known: bool = True) -> Rig:
        device = Device(overhead(), np.eye(15) * 1e-12, 0.1)
        return Rig(device, device, 0.0, AREA, NOON, mat_over_paper=self.mat if known else None)

    def asked(self, kind: str) -> list[Event]:
        return [event for event in self.told if event["event"] == kind]


def test_the_longer_list_stands_until_it_is_confirmed_once_a_day(tmp_path: Path) -> None:
    room = Room(pressed=["m", "x", "space"])
    with Journal.open(tmp_path / "records") as journal:
        assert read_longer_list(room.table(), room.rig(), USUAL, journal, NOON)
        assert room.pressed == []  # other keys do not take it away
        assert len(room.shown) == 1
        (asked,) = room.asked("ask")
        assert asked["what"] == "confirm"
        assert tuple(asked["words"]) == LONGER_LIST
        assert all(line in sentence(asked) for line in LONGER_LIST)
        for later, again in ((timedelta(hours=3), False), (timedelta(days=1), True)):
            room.pressed = ["space"]
            assert read_longer_list(room.table(), room.rig(), USUAL, journal, NOON + later)
            assert (room.pressed == []) is again
        assert not any(journal.records.units(one.id) for one in journal.records.sessions())


def test_who_ends_at_the_longer_list_is_shown_it_again(tmp_path: Path) -> None:
    room = Room(pressed=["q"])
    with Journal.open(tmp_path / "records") as journal:
        assert not read_longer_list(room.table(), room.rig(), USUAL, journal, NOON)
        room.pressed = ["space"]
        assert read_longer_list(room.table(), room.rig(), USUAL, journal, NOON)
        assert room.pressed == []


def test_the_longer_list_says_all_that_belongs_to_it() -> None:
    said = " ".join(LONGER_LIST).lower()
    wanted = (
        "blade",
        "lens",
        "lamp",
        "ladder",
        "ceiling mount",
        "local codes",
        "licensed electrician",
        "iron",
        "flash",
    )
    assert [word for word in (*wanted, "no safety device") if word not in said] == []


def test_on_a_light_mat_in_a_dim_room_nothing_is_asked() -> None:
    room = Room(mat=0.7, room=0.05)
    found = readable_cautions(room.table(), room.rig(), USUAL, pytest.fail)
    assert found is not None
    assert found.light is not None
    assert found.light.typical == pytest.approx((0.7 + 0.05) / (0.7 * 0.05 / 1.05 + 0.05), rel=0.03)
    assert room.told == []


@pytest.mark.parametrize(("mat", "light", "blamed"), [(0.1, 0.05, "mat itself"), (0.7, 0.6, "room is too bright")])
def test_where_words_cannot_be_read_it_is_said_with_the_cautions_on_the_laptop(
    mat: float, light: float, blamed: str
) -> None:
    room = Room(mat=mat, room=light, pressed=["space"])
    found = readable_cautions(room.table(), room.rig(), USUAL, pytest.fail)
    assert found is not None
    (refused,) = room.asked("refused")
    assert (refused["what"], refused["why"]) == ("caution", "contrast")
    assert blamed in refused["do"]
    assert refused["contrast"] < 4.5
    assert all(caution in sentence(refused) for caution in CAUTIONS)
    assert [event["what"] for event in room.asked("ask")] == ["confirm"]
    assert [event["scene"] for event in room.asked("shown")] == ["hard_to_read"]


def test_the_person_may_dim_the_room_and_have_it_measured_again() -> None:
    room, again = Room(mat=0.7, room=0.6, pressed=["m"], dims_to=0.05), list[int]()
    found = readable_cautions(room.table(), room.rig(), USUAL, lambda: again.append(1))
    assert found is not None
    assert found.light is not None
    assert found.light.typical > 4.5
    assert again == [1]  # the mat's picture is taken anew: the room's light is in it
    assert len(room.asked("ask")) == 1


def test_the_person_may_end_and_with_an_old_rig_nothing_is_asked_but_the_cautions_are_told() -> None:
    room = Room(pressed=["q"])
    assert readable_cautions(room.table(), room.rig(), USUAL, pytest.fail) is None
    room = Room()
    assert readable_cautions(room.table(), room.rig(known=False), USUAL, pytest.fail) is USUAL
    (told,) = room.told
    assert (told["what"], told["why"]) == ("caution", "unknown")
    assert all(caution in sentence(told) for caution in CAUTIONS)


def test_words_stand_on_the_mat_though_light_and_sight_reach_beyond_it() -> None:
    """A mat of 18 x 12 in within what the devices reach; where its size is not known all of that counts."""
    wide = np.array([[-30.0, -20.0], [500.0, -20.0], [500.0, 250.0], [-30.0, 250.0]])
    rig = replace(Room().rig(), area_mat_mm=wide, mat_mm=(457.2, 304.8))
    assert Polygon(lit_mat(rig)).equals(box(0.0, 0.0, 457.2, 250.0))
    assert Polygon(lit_mat(replace(rig, mat_mm=None))).equals(Polygon(wide))
    assert Polygon(lit_mat(rig)).exterior.is_ccw
