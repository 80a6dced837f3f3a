"""`check` as a process of its own, or in this one. Frames: `fixtures/table`, rendered with exact truth (its README).

The keys and their meaning are what scripts rely on.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.rigfile import load_rig, save_rig
from projector.commands import COMPILING
from projector.records.opening import open_records
from tests.whole.process import DEMO, EMPTY, PHOTOGRAPH, ROOT, TABLE, Done, chalkbeam, here
from tests.whole.table_truth import Measured, TrueUnit, mat_from_sheet, match, moved, true_units

UNIT_KEYS = {
    *("event", "t", "frame", "expected", "outline_mat_mm", "sides_mm", "angles_deg", "angles_u_deg", "widths_mm"),
    *("seams", "offsets_mm", "offsets_u_mm", "bows_mm", "u_mm", "verdict", "fit_probability"),
    *("findings", "sides_u_mm", "bows_u_mm", "u_parts_mm", "curved", "number"),
}
OF_THE_SHAPE = ("expected", "offsets_mm", "offsets_u_mm", "verdict", "fit_probability")
VERDICTS = {"fits", "trim", "short", "close", "turned_over", "other", "look_again"}
BLADE_DEG = 0.1  # a cut and a measurement are no better

# Sizes of the photograph's units from its truth file, in inches: a square, its smaller sister written as a polygon,
# a 60 degree diamond, and a two-fabric parallelogram; the others are there to be read and to match nothing.
SQUARE, SLANT, DIAMOND = (
    "square(5 in)",
    "slant(5 3/8 in, 3 1/4 in, 45 deg, right, 2 5/8 in)",
    "diamond(2 7/8 in, 60 deg)",
)
POLYGON = "polygon(0 mm 0 mm, 101.6 mm 0 mm, 101.6 mm 101.6 mm, 0 mm 101.6 mm)"
OTHERS = (
    *("rectangle(2 in, 9 in)", "triangle(8 in, 9 in)", "point(9 in, 22.5 deg)", "halves(9 in)"),
    f"{DEMO}:wave",
)


@pytest.fixture(scope="module")
def measured(calibrated: Done, rig: Path) -> Done:
    """Without `--expect`."""
    done = chalkbeam("check", PHOTOGRAPH, "--rig", rig, "--empty", EMPTY, "--json")
    assert done.code == 0, done.err
    return done


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(tmp_path_factory.mktemp("picture")) / "measured.png"


@pytest.fixture(scope="module")
def kept(picture: Path) -> Path:
    """Records that are begun by `judged`."""
    return picture.with_name("journal.sqlite")


@pytest.fixture(scope="module")
def judged(calibrated: Done, rig: Path, picture: Path, kept: Path) -> Done:
    """With every form of SHAPE."""
    shapes = [word for shape in (SQUARE, SLANT, DIAMOND, POLYGON, *OTHERS) for word in ("--expect", shape)]
    done = chalkbeam(
        *("check", PHOTOGRAPH, "--rig", rig, "--empty", EMPTY, *shapes, "--tolerance", "1/32 in"),
        *("--angle-tolerance", "0.5 deg", "--cloth", "0.4 mm", "--picture", picture, "--records", kept, "--json"),
    )
    assert done.code == 0, done.err
    return done


def truths() -> list[TrueUnit]:
    frames = json.loads((TABLE / "units.json").read_text())["frames"]
    return true_units(next(frame for frame in frames if frame["file"] == PHOTOGRAPH.name))


def to_mat() -> Any:
    return mat_from_sheet(json.loads((TABLE / "boards.json").read_text())["boards"]["board_flat_01.jpg"])


def of(done: Done, shape: str) -> dict[str, Any]:
    (unit,) = [event for event in done.told("unit") if event["expected"] == shape and event["verdict"] == "fits"]
    return unit


def signed_area(outline: Sequence[Sequence[float]]) -> float:
    x, y = np.array(outline).T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


# What is told.


def test_every_line_is_an_event_with_its_time(calibrated: Done, measured: Done, judged: Done) -> None:
    for done in (calibrated, measured, judged):
        times = [event["t"] for event in done.events]
        assert all("event" in event for event in done.events)
        assert times == sorted(times)
        assert times[0] >= 0


def test_a_unit_has_the_keys_that_scripts_rely_on(measured: Done, judged: Done) -> None:
    for unit in measured.told("unit") + judged.told("unit"):
        n = len(unit["outline_mat_mm"])
        assert set(unit) - {"why"} == UNIT_KEYS
        assert unit["frame"] == str(PHOTOGRAPH)
        for key in ("sides_mm", "angles_deg", "angles_u_deg", "bows_mm"):
            assert len(unit[key]) == n, key
        assert all(set(w) == {"sides", "mean", "least", "greatest", "u"} for w in unit["widths_mm"])
        assert all(set(s) == {"from", "to", "u"} for s in unit["seams"])
        assert signed_area(unit["outline_mat_mm"]) > 0  # counter-clockwise
        assert unit["u_mm"] > 0


def test_sides_and_angles_follow_from_the_outline(measured: Done) -> None:
    """Side i runs from corner i to corner i + 1; angle i is at corner i: plane geometry from the line itself."""
    for unit in measured.told("unit"):
        corners = np.array(unit["outline_mat_mm"])
        after, before = np.roll(corners, -1, axis=0) - corners, np.roll(corners, 1, axis=0) - corners
        assert unit["sides_mm"] == pytest.approx(np.hypot(*after.T), abs=0.001)
        inner = np.degrees(
            np.arctan2(after[:, 0] * before[:, 1] - after[:, 1] * before[:, 0], np.sum(after * before, 1))
        )
        assert unit["angles_deg"] == pytest.approx(inner % 360, abs=0.001)
        assert sum(unit["angles_deg"]) == pytest.approx(180 * (len(corners) - 2), abs=1e-3)


def test_widths_are_distances_between_sides_within_five_degrees_of_parallel(measured: Done) -> None:
    """Mean: of the distances from one side's midpoint to the other's line, both ways; least, greatest: end points."""
    for unit in measured.told("unit"):
        corners = np.array(unit["outline_mat_mm"])
        sides = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
        for width in unit["widths_mm"]:
            a, b = sides[width["sides"]]
            ends = np.abs([*off(b, a), *off(a, b)])
            middles = np.abs([off(b.mean(0), a), off(a.mean(0), b)])
            assert width["mean"] == pytest.approx(np.mean(middles), abs=0.001)
            assert (width["least"], width["greatest"]) == pytest.approx((ends.min(), ends.max()), abs=0.001)
        runs = sides[:, 1] - sides[:, 0]
        courses = np.degrees(np.arctan2(runs[:, 1], runs[:, 0]))
        parallel = {
            (i, j)
            for i in range(len(corners))
            for j in range(i + 1, len(corners))
            if abs((courses[i] - courses[j] + 90) % 180 - 90) < 5
        }
        assert {tuple(width["sides"]) for width in unit["widths_mm"]} == parallel


def off(points: Any, line: Any) -> Any:
    """Distances from the line through two points, positive to its left."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return (points - line[0]) @ np.array([-along[1], along[0]])


def test_without_an_expected_shape_nothing_is_judged(measured: Done) -> None:
    units = measured.told("unit")
    assert len(units) == len(truths())
    assert {unit[key] for unit in units for key in OF_THE_SHAPE} == {None}
    last = measured.events[-1]
    assert (last["event"], last["units"], last["judged"]) == ("summary", len(units), 0)
    assert sum(last["verdicts"].values()) == 0


def test_the_mat_frame_is_the_first_flat_sheets_lower_left_corner(measured: Done) -> None:
    """Brought to the true mat by the true pose of that sheet, every unit lies on its true corners; a turned axis, a
    sheet not in the order of file names or an origin at another corner is off by the sheet's size."""
    found = match(truths(), [Measured.of_event(unit, to_mat()) for unit in measured.told("unit")])
    assert found.missed == []
    assert found.invented == []
    errors = [
        error for pair in found.pairs if pair.truth.fabric_class.startswith("solids") for error in pair.corners_mm()
    ]
    assert max(errors) < 0.5
    one_mm_right = moved(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), to_mat())
    assert np.linalg.det(one_mm_right[1:] - one_mm_right[0]) == pytest.approx(1.0, abs=1e-6)  # y runs up the sheet


# With expected shapes.


def test_each_unit_takes_the_best_match_of_what_is_expected(judged: Done) -> None:
    units = judged.told("unit")
    assert {unit["verdict"] for unit in units} <= VERDICTS
    assert {unit["expected"] for unit in units if unit["verdict"] == "fits"} == {SQUARE, SLANT, DIAMOND, POLYGON}
    last = judged.events[-1]
    assert (last["event"], last["units"], last["judged"]) == ("summary", len(units), len(units))
    assert last["verdicts"]["fits"] == 4
    assert sum(last["verdicts"].values()) == len(units)


def test_sides_are_numbered_as_the_expected_shape_has_them(judged: Done) -> None:
    """Cut 3 1/4 in wide from a strip 5 3/8 in wide at 45 degrees. Sides 0 and 2 are strip edges: cut / sin 45 deg
    long and the strip's width apart; corner 0, lower left, has 45 degrees (plane geometry of a parallelogram)."""
    unit = of(judged, SLANT)
    strip_mm, cut_mm = 5.375 * 25.4, 3.25 * 25.4
    lengths = [side_mm * np.sqrt(2) for side_mm in (cut_mm, strip_mm, cut_mm, strip_mm)]
    assert unit["sides_mm"] == pytest.approx(lengths, abs=0.25)
    assert unit["angles_deg"] == pytest.approx([45, 135, 45, 135], abs=BLADE_DEG)
    widths = {tuple(width["sides"]): width["mean"] for width in unit["widths_mm"]}
    assert widths == {(0, 2): pytest.approx(strip_mm, abs=0.1), (1, 3): pytest.approx(cut_mm, abs=0.1)}


def test_a_seam_lies_where_its_shape_has_it(judged: Done) -> None:
    """Along the strip, 2 5/8 in from its lower edge, side 0."""
    unit = of(judged, SLANT)
    (seam,) = unit["seams"]
    lower = np.array(unit["outline_mat_mm"][:2])
    assert off(np.array([seam["from"], seam["to"]]), lower) == pytest.approx([2.625 * 25.4] * 2, abs=0.3)


def test_a_judged_unit_has_offsets_for_every_side_and_a_probability(judged: Done) -> None:
    for shape in (SQUARE, SLANT, DIAMOND, POLYGON):
        unit = of(judged, shape)
        assert len(unit["offsets_mm"]) == len(unit["offsets_u_mm"]) == 4
        assert np.abs(unit["offsets_mm"]).max() < 0.2  # these units have no defect in the truth file
        assert min(unit["offsets_u_mm"]) > 0
        assert 0.5 < unit["fit_probability"] <= 1


def test_the_picture_shows_what_was_measured(judged: Done, picture: Path) -> None:
    drawn, photograph = cv2.imread(str(picture)), cv2.imread(str(PHOTOGRAPH))
    assert drawn is not None
    assert photograph is not None
    assert drawn.shape == photograph.shape
    differs = np.abs(drawn.astype(int) - photograph).max(axis=2) > 20
    assert 0.001 < differs.mean() < 0.2  # lines and words on it, and the photograph still there


def test_what_was_told_is_in_the_records(judged: Done, kept: Path) -> None:
    """A unit of a plan has the name that the plan gives it."""
    with open_records(kept) as records:
        (session,) = records.sessions()
        entries = records.units(session.id)
    assert (session.command, session.ended is not None) == ("check", True)
    told = [{key: value for key, value in event.items() if key != "t"} for event in judged.told("unit")]
    assert [{key: value for key, value in entry.event().items() if key != "name"} for entry in entries] == told
    expected = [str(event["expected"] or "") for event in told]
    names = [text.rpartition(":")[2] if ".toml:" in text else text or None for text in expected]
    assert [entry.name for entry in entries] == names
    assert [entry.verdict for entry in entries] == [event["verdict"] for event in told]


def test_a_tighter_tolerance_and_another_thickness_change_what_is_said(
    calibrated: Done, rig: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Cloth of 4 mm lies nearer to the camera: seen larger than it is, by its height over the lens' height, some
    1.4 m in the truth file, so 0.26 % less than thin cloth once that is known: 0.3 mm on 5 in."""
    fine = ["--tolerance", "0.05 mm", "--cloth", "4 mm"]
    done = here(capfd, "check", PHOTOGRAPH, "--rig", rig, "--empty", EMPTY, "--expect", SQUARE, *fine)
    assert done.code == 0
    (line,) = [line for line in done.out.splitlines() if re.search(r"unit \d+ square\(5 in\): .*4 63/64 in", line)]
    assert "fits" not in line


def test_without_json_words_come_on_standard_output(rig: Path, calibrated: Done) -> None:
    done = chalkbeam("check", TABLE / "empty_01.jpg", "--rig", rig, "--empty", TABLE / "empty_02.jpg")
    assert (done.code, done.out) == (0, "0 units.\n")
    assert done.err in ("", f"{COMPILING}\n")


def test_a_reader_that_goes_away_leaves_no_traceback(rig: Path, calibrated: Done) -> None:
    command = [sys.executable, "-m", "projector", "check", str(TABLE / "empty_01.jpg"), "--rig", str(rig)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        err = child.stderr.read()
    assert err in ("", f"{COMPILING}\n")


def test_a_doubtful_scale_is_told_once_with_how_to_mend_it(
    rig: Path, calibrated: Done, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A rig of a sheet whose bars nobody read."""
    doubtful = tmp_path / "doubtful.json"
    save_rig(replace(load_rig(rig), scale_u=0.01, scale_how="no reading of the bars"), doubtful)
    photographs = [TABLE / f"empty_0{n}.jpg" for n in (1, 2)]
    done = here(capfd, "check", *photographs, "--rig", doubtful, "--empty", TABLE / "empty_02.jpg")
    note, *rest = done.out.splitlines()
    assert "sizes are doubtful by 1 % (no reading of the bars)" in note
    assert "--bar-along" in note
    assert "--bar exact" in note
    assert rest == ["0 units."]
