"""A mat without grid or border in view: its corners are pointed out, and one sheet puts right what was bumped.

Frames are the virtual table's. Where things really are is the truth that it gives up when it is closed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.lens.camera import SHEET_THICKNESS_MM
from calibration.rig import Rig
from calibration.scale import EXACT
from calibration.sheet.board import Board
from projector.rehearsal.quirks import MatQuirks, Quirks
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.captures import Captures
from projector.setup.realigning import SURE, realign

PLAIN_MAT = Quirks(mat=MatQuirks("light", grid=False, beyond_mm=400.0))
FEW = Wishes(Board(), flat=5, tilted=3, scale=EXACT)
ON_MAT_MM = np.array([[20.0, 20.0], [890.0, 30.0], [880.0, 580.0], [30.0, 590.0], [450.0, 300.0]])


@pytest.fixture(scope="module")
def plain(small_table: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Rig, Any]:
    room = small_table(quirks=PLAIN_MAT)
    captures = Captures(Path(tmp_path_factory.mktemp("plain")) / "captures")
    return calibrate(room.table, FEW, captures).rig, room


def off_mm(rig: Rig, room: Any) -> Any:
    """Where the rig's camera places points of the mat that the true one sees, less where they are."""
    seen_px = room.world.close().placings[-1].camera.px_from_level(ON_MAT_MM, 0.0)
    return rig.camera.pinhole.mat_from_px(seen_px) - ON_MAT_MM


def test_corners_are_pointed_out_where_nothing_tells_the_mats_frame(plain: tuple[Rig, Any]) -> None:
    """The person lays a round thing on each corner of the 36 x 24 in, as well as one does by eye."""
    rig, room = plain
    (lost,) = room.told("refused", "mat_frame")
    assert "point out its corners" in lost["do"]
    assert [(ask["n"], ask["corner"]) for ask in room.told("ask", "mat_corners")] == [
        (1, "lower left"),
        (2, "lower right"),
        (3, "upper right"),
        (4, "upper left"),
    ]
    assert (rig.frame, rig.frame_how) == ("mat", "four corners that you pointed out")
    assert rig.mat_mm == pytest.approx((36 * 25.4, 24 * 25.4), abs=2.0)
    assert np.abs(off_mm(rig, room)).max() < 1.0


def test_one_sheet_puts_a_bumped_camera_right(plain: tuple[Rig, Any], small_table: Any) -> None:
    """Nothing on the mat tells where it is, so its corners are pointed out again after the sheet was seen."""
    room = small_table(quirks=PLAIN_MAT)
    room.settled()
    room.world.bump("camera", np.array([5.0, -3.0, 0.0]), np.radians([0.1, 0.2, 0.3]), room.clock.now_s())
    found = realign(room.table, replace(plain[0], landmarks=None), Board(), SHEET_THICKNESS_MM)
    asked = [ask["what"] for ask in room.told("ask")]
    assert asked == ["clear_mat", "sheet_flat", "clear_mat", *["mat_corners"] * 4, "clear_mat"]
    assert found.rig.frame == "mat"
    assert found.closure is not None
    assert found.closure.worst_mm < 0.4
    off = off_mm(found.rig, room)
    assert np.abs(off).max() < 1.0
    assert np.ptp(off, axis=0).max() < 0.5  # the frame's own place aside


@pytest.mark.parametrize("device", SURE)
def test_no_sheet_is_needed_where_the_person_knows_what_moved(
    plain: tuple[Rig, Any], small_table: Any, device: str
) -> None:
    """The other device's light tells the pose; the frame stays, so no corner is pointed out."""
    room = small_table(quirks=PLAIN_MAT)
    room.settled()
    room.world.bump(device, np.array([5.0, -3.0, 0.0]), np.radians([0.1, 0.2, 0.3]), room.clock.now_s())
    rig = replace(plain[0], landmarks=None)
    found = realign(room.table, rig, Board(), SHEET_THICKNESS_MM, sure=device)
    assert [ask["what"] for ask in room.told("ask")] == ["clear_mat"]
    assert found.closure is not None
    assert found.closure.worst_mm < 0.4
    placing = room.world.close().placings[-1]
    lens, solved = getattr(placing, device), getattr(found.rig, device)
    seen_mm = solved.pinhole.mat_from_px(lens.px_from_level(ON_MAT_MM, 0.0))
    off = seen_mm - known_mm(plain)
    assert np.linalg.norm(off, axis=1).max() < 0.3


def known_mm(plain: tuple[Rig, Any]) -> Any:
    """Where the rig placed those points of the mat before anything moved: its frame was pointed out by eye."""
    rig, room = plain
    seen_px = room.world.close().placings[0].camera.px_from_level(ON_MAT_MM, 0.0)
    return rig.camera.pinhole.mat_from_px(seen_px)
