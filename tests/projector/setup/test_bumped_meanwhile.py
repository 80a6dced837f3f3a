"""A device is bumped in the middle of the patterns: it is told in one line. Frames are the virtual table's."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.scale import EXACT
from calibration.sheet.board import Board
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.looking import CalibratingError
from projector.telling.events import Event

FEW = Wishes(Board(), flat=4, tilted=3, scale=EXACT, resume=True)
MEANWHILE_S = 5.0  # after the mat was cleared


def with_a_bump(small_table: Any, device: str) -> Any:
    """A table where a device is moved by 4 mm once, when the patterns are on."""
    rooms: list[Any] = []

    def bumps(event: Event) -> Event:
        if (event["event"], event.get("what")) == ("seen", "clear_mat"):
            at_s = rooms[0].clock.now_s() + MEANWHILE_S
            rooms[0].world.bump(device, np.array([4.0, 0.0, 0.0]), np.radians([0.0, 0.0, 0.2]), at_s)
        return event

    rooms.append(small_table(bumps))
    return rooms[0]


def test_a_bumped_projector_is_told_and_its_patterns_are_shown_again(
    calibrated: Any, small_table: Any, tmp_path: Path
) -> None:
    room = with_a_bump(small_table, "projector")
    found = calibrate(room.table, FEW, calibrated.resumed(tmp_path / "captures", 4, 3))
    (told,) = room.told("refused", "patterns")
    assert told["why"] == "bumped"
    assert found.closure is not None
    assert found.closure.worst_mm < 0.4


def test_a_bumped_camera_ends_it(calibrated: Any, small_table: Any, tmp_path: Path) -> None:
    """The views of the sheet no longer hold; a rig made of them would be wrong by millimetres."""
    room = with_a_bump(small_table, "camera")
    with pytest.raises(CalibratingError, match="camera or mat moved while the patterns were shown"):
        calibrate(room.table, FEW, calibrated.resumed(tmp_path / "captures", 4, 3))
