"""What devices do by themselves is told, and nobody is caught in being asked for ever. The table is a virtual one.

Whoever sits there presses space at every question and changes nothing.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from calibration.sheet.board import Board
from projector.rehearsal.quirks import CameraQuirks, ProjectorQuirks, Quirks
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.captures import Captures
from projector.setup.faults import checked
from projector.setup.looking import CalibratingError
from projector.telling.events import Event


def test_sound_devices_are_not_asked_about(small_table: Any) -> None:
    room = small_table()
    assert checked(room.settled()).faults == ()
    assert room.told("ask") == []


def test_a_fault_that_stays_is_told_twice_and_then_gone_on_with(small_table: Any) -> None:
    room = small_table(quirks=Quirks(projector=ProjectorQuirks(overscan=0.03)))
    left = checked(room.settled()).faults
    assert [refused["why"] for refused in room.told("refused", "devices")] == [fault.what for fault in left] * 2
    first, second = room.told("ask", "confirm")
    assert "looked at again" in first["instead"]
    assert "goes on as it is" in second["instead"]


@pytest.mark.parametrize(
    "quirks", [Quirks(CameraQuirks(mirrored=True)), Quirks(projector=ProjectorQuirks(mirrored=True))]
)
def test_with_a_mirror_image_no_rig_can_be_made(small_table: Any, quirks: Quirks) -> None:
    room = small_table(quirks=quirks)
    with pytest.raises(CalibratingError, match="sees the projector's picture mirrored; set the projector to front"):
        checked(room.settled())
    assert len(room.told("ask", "confirm")) == 1


def test_a_mirrored_camera_under_a_mirrored_projector_is_told_by_the_sheet(small_table: Any, tmp_path: Path) -> None:
    """Light and camera agree then; the sheet's own markers do not."""

    def until_refused(event: Event) -> Event:
        if (event["event"], event.get("what")) == ("refused", "sheet_flat"):
            raise CalibratingError(str(event["why"]))
        return event

    mirrored = Quirks(CameraQuirks(mirrored=True), ProjectorQuirks(mirrored=True))
    room = small_table(until_refused, mirrored)
    with pytest.raises(CalibratingError, match=r"^mirrored$"):
        calibrate(room.table, Wishes(Board()), Captures(tmp_path / "captures"))
