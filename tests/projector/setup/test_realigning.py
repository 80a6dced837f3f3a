"""What moved is told and put right, at the virtual table. How far things were moved is known from outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.lens.camera import SHEET_THICKNESS_MM
from calibration.sheet.board import Board
from calibration.sheet.layout import board_text
from projector.commands import ready
from projector.commands.devices import board_of
from projector.setup.finishing import Finished
from projector.setup.glancing import QUICK_S, glanced, tell_glance
from projector.setup.realigning import realign
from projector.setup.verifying import compared, figure_of, see_figure

BUMPS = {"camera": "camera", "projector": "projector", "mat": "mat"}


def bumped(small_table: Any, device: str, shift_mm: list[float]) -> Any:
    room = small_table()
    room.settled()
    if device:
        room.world.bump(device, np.array(shift_mm), np.radians([0.0, 0.0, 0.2]), room.clock.now_s())
    return room


def test_a_quiet_start_says_so_in_less_than_two_seconds(calibrated: Any, small_table: Any) -> None:
    room = bumped(small_table, "", [])
    start_s = room.clock.now_s()
    found, _ = glanced(room.table, calibrated.found.rig)
    assert found.quiet
    assert room.clock.now_s() - start_s < QUICK_S
    told: set[str] = set()
    for _ in range(2):
        tell_glance(room.table.teller, found, told)
    assert [event["moved"] for event in room.told("seen", "glance")] == [0, 0]


@pytest.mark.parametrize("device", BUMPS)
def test_what_moved_is_named_with_its_millimetres_and_put_right(calibrated: Any, small_table: Any, device: str) -> None:
    """Moved by 4 mm sideways and turned by 0.2 degrees."""
    room, rig = bumped(small_table, device, [4.0, 0.0, 0.0]), calibrated.found.rig
    found = realign(room.table, rig, Board(), SHEET_THICKNESS_MM)
    (moved,) = room.told("moved")
    assert moved["what"] == BUMPS[device]
    assert 2.0 < moved["by_mm"] < 12.0
    assert found.closure is not None
    assert found.closure.worst_mm < 0.3
    room.events.clear()
    again, _ = glanced(room.table, found.rig)
    assert again.quiet
    assert compared(found.rig, see_figure(room.table, found.rig, figure_of(found.rig)), {}).odd == ()


@pytest.mark.parametrize(
    ("told", "used"), [(None, "charuco:7x5:40mm:30mm:DICT_4X4_50"), ("charuco:9x6:25mm:18mm:DICT_5X5_100", None)]
)
def test_cut_realigns_by_the_sheet_that_was_told_or_else_by_that_of_the_rig(
    calibrated: Any, small_table: Any, monkeypatch: pytest.MonkeyPatch, told: str | None, used: str | None
) -> None:
    room = bumped(small_table, "camera", [4.0, 0.0, 0.0])
    rig = replace(calibrated.found.rig, board="charuco:7x5:40mm:30mm:DICT_4X4_50")
    taken: list[Any] = []
    monkeypatch.setattr(ready, "key_after_bump", lambda *_, **__: "r")
    monkeypatch.setattr(ready, "write_rig", lambda *_: None)
    monkeypatch.setattr(ready, "realign", lambda *args: taken.extend(args[2:]) or Finished(rig, None))
    assert ready.trusted_rig(room.table, rig, Path("rig.json"), board_of(told, rig), 0.2) is rig
    assert (board_text(taken[0]), taken[1]) == (used or told, 0.2)


def test_a_rig_knows_its_sheet_and_an_older_one_is_taken_to_have_the_usual(calibrated: Any) -> None:
    rig = calibrated.found.rig
    assert rig.board == board_text(Board())
    assert board_of(None, replace(rig, board="")) == Board()


def test_what_a_glance_cannot_see_is_said_once(calibrated: Any, small_table: Any) -> None:
    room = bumped(small_table, "", [])
    found, _ = glanced(room.table, replace(calibrated.found.rig, landmarks=None))
    told: set[str] = set()
    for _ in range(2):
        tell_glance(room.table.teller, found, told)
    said = [event.get("unseen") for event in room.told("seen", "glance")]
    assert "one mount" in str(said[0])
    assert said[1] is None
