"""A calibration that is interrupted goes on where it was. No outside source: what must hold is that nothing is lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.scale import EXACT
from calibration.sheet.board import Board
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.captures import CapturesError, open_captures
from projector.telling.events import Event

WISHES = {"flat": 4, "tilted": 3, "scale": EXACT}


class PowerCutError(Exception):
    """The lights go out."""


def test_what_was_captured_is_gone_on_with(small_table: Any, tmp_path: Path) -> None:
    """The power fails in the middle of the views, then once more after the patterns."""
    failures = [("seen", "sheet_tilted"), ("seen", "mat_frame")]

    def until(event: Event) -> Event | None:
        if failures and (event["event"], event.get("what")) == failures[0]:
            del failures[0]
            raise PowerCutError
        return event

    room = small_table(until)
    with pytest.raises(PowerCutError):
        calibrate(room.table, Wishes(Board(), **WISHES), open_captures(tmp_path / "rig.captures"))  # type: ignore[arg-type]
    left = open_captures(tmp_path / "rig.captures")
    assert {name: len(views) for name, views in left.views.items()} == {"sheet_flat": 4, "sheet_tilted": 1}
    assert left.tone is not None
    assert left.patterns is None
    room.events.clear()
    with pytest.raises(PowerCutError):
        calibrate(room.table, Wishes(Board(), **WISHES, resume=True), left)  # type: ignore[arg-type]
    assert room.told("seen", "sheet_flat") == []
    assert [seen["n"] for seen in room.told("seen", "sheet_tilted")] == [2, 3]
    left = open_captures(tmp_path / "rig.captures")
    assert {name: len(views) for name, views in left.views.items()} == {"sheet_flat": 4, "sheet_tilted": 3}
    assert left.tone is not None
    assert left.patterns is not None
    room.events.clear()
    found = calibrate(room.table, Wishes(Board(), **WISHES, resume=True), left)  # type: ignore[arg-type]
    assert room.told("seen", "sheet_flat") == room.told("seen", "sheet_tilted") == []
    assert found.rig.frame == "mat"
    assert found.closure is not None
    assert found.closure.worst_mm < 0.4


def test_resuming_nothing_is_told(small_table: Any, tmp_path: Path) -> None:
    with pytest.raises(CapturesError, match="nothing is kept there"):
        calibrate(small_table().table, Wishes(Board(), resume=True), open_captures(tmp_path / "none"))


def test_places_are_told_and_the_whole_table_is_covered(calibrated: Any) -> None:
    asks = calibrated.told("ask", "sheet_flat")
    assert "place" not in asks[0]
    assert asks[0]["where"] == "near the middle, upright as you stand"
    for ask in asks[1:]:
        assert ask["place"]["frame"] == "sheet"
        corners = np.array(ask["place"]["corners"])
        along, up = corners[1] - corners[0], corners[3] - corners[0]
        assert np.hypot(*along) == pytest.approx(240.0, abs=0.3)  # eight squares of 30 mm
        assert along[0] * up[1] - along[1] * up[0] > 0  # counter-clockwise
        assert ask["where"]
    assert {ask["lift"] for ask in calibrated.told("ask", "sheet_tilted")} == {"left", "right", "near", "far"}
    assert calibrated.told("seen", "sheet_flat")[-1]["covered"] > 0.8


def test_the_mats_frame_is_found_where_it_is(calibrated: Any) -> None:
    """The virtual mat measures 36 x 24 in, 25.4 mm each by definition; its corner is the frame's origin."""
    assert calibrated.found.rig.frame == "mat"
    assert calibrated.found.rig.mat_mm == pytest.approx((36 * 25.4, 24 * 25.4), rel=0.004)


def test_without_a_reading_of_the_bars_sizes_are_in_doubt_by_one_percent(calibrated: Any) -> None:
    assert (calibrated.found.rig.scale_u, calibrated.found.rig.scale_how) == (0.01, "no reading of the bars")
