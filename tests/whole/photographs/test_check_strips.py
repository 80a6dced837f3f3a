"""`check` on a strip set, and on a wrong count, as a process of its own. Frames: `fixtures/table` (see its README).

The keys and their meaning are what scripts rely on.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.whole.process import EMPTY, TABLE, Done, chalkbeam, here
from tests.whole.table_truth import mat_from_sheet, moved

STRIP = TABLE / "strip_01.jpg"


@pytest.fixture(scope="module")
def strip_told(calibrated: Done, rig: Path) -> Done:
    done = chalkbeam(
        "check", STRIP, "--rig", rig, "--empty", EMPTY, "--expect", "strip(160 mm)", "--count", 0, "--json"
    )
    assert done.code == 0, done.err
    return done


def truth() -> dict[str, Any]:
    return json.loads((TABLE / "strips.json").read_text())["frames"][0]["objects"][0]  # type: ignore[no-any-return]


def off(line: Any, true_line: Any) -> Any:
    """How far a line's ends lie from the true one, in the mat's own frame."""
    pose = json.loads((TABLE / "boards.json").read_text())["boards"]["board_flat_01.jpg"]
    (a, b), points = np.array(true_line), moved(np.array(line), mat_from_sheet(pose))
    along = (b - a) / np.hypot(*(b - a))
    return (points - a) @ np.array([-along[1], along[0]])


def test_a_strip_set_is_no_unit(strip_told: Done) -> None:
    (strip,) = strip_told.told("strip")
    assert strip_told.told("unit") == []
    assert (strip["frame"], strip["expected"], strip["verdict"]) == (str(STRIP), "strip(160 mm)", "fits")
    assert strip_told.events[-1]["units"] == 0
    assert "strip(160 mm): fits" in strip_told.err


def test_its_lines_lie_where_they_are(strip_told: Done) -> None:
    """Long sides and seam within 0.08 mm over 900 mm; none of the figures is worse than three of its own u."""
    (strip,), true = strip_told.told("strip"), truth()
    for side, u_mm in zip(strip["long_sides_mat_mm"], strip["long_sides_u_mm"], strict=True):
        nearest = min(
            (off(side, true[key]) for key in ("lower_edge_mat", "upper_edge_mat")), key=lambda o: abs(o).max()
        )
        assert abs(nearest).max() < 0.08
        assert abs(nearest.mean()) < 3 * u_mm
    (seam,) = strip["seams_mat_mm"]
    assert abs(off(seam, true["seam_mat"])).max() < 0.08
    assert strip["width_mm"] == pytest.approx(true["width_mm"], abs=min(0.08, 3 * strip["width_u_mm"]))
    assert max(map(abs, strip["long_sides_bow_mm"])) < 0.08


def test_its_ends_have_their_angles(strip_told: Done) -> None:
    (strip,), true = strip_told.told("strip"), truth()
    left, right = sorted(strip["ends"], key=lambda end: abs(off(end["line_mat_mm"], true["right_end_mat"])).max() < 1)
    for end, angle_deg in ((left, 90.0), (right, true["end_angle_deg"])):
        assert end["angle_deg"] == pytest.approx(angle_deg, abs=0.03)
        assert end["angle_deg"] == pytest.approx(angle_deg, abs=3 * end["u_deg"])
        assert end["steps_mat_mm"] == []


def test_a_wrong_count_is_one_line_and_code_1(calibrated: Done, rig: Path, capfd: pytest.CaptureFixture[str]) -> None:
    empty = TABLE / "empty_01.jpg"
    words = ("check", empty, "--rig", rig, "--empty", TABLE / "empty_02.jpg", "--count")
    done = chalkbeam(*words, 3, "--json")
    assert done.code == 1
    said = f"3 units must be in a picture, and {empty} shows 0; "
    (error,) = done.told("error")
    assert f"{error['message']}; {error['do']}".startswith(said)
    assert [line for line in done.err.splitlines() if "must be" in line] == [
        f"chalkbeam: {error['message']}; {error['do']}"
    ]
    assert done.told("summary")[0]["units"] == 0  # all that was measured is told before
    assert here(capfd, *words, 0).code == 0
    assert here(capfd, *words, -1).code == 2
