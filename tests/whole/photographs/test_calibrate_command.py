"""`calibrate` from photographs as a process of its own. Frames: `fixtures/table`, rendered with exact truth."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.rigfile import load_rig
from tests.whole.process import EMPTY, FLAT, TABLE, TILTED, Done, chalkbeam


def test_calibrate_tells_a_rig_without_a_projector(calibrated: Done, rig: Path) -> None:
    last = calibrated.events[-1]
    assert last["event"] == "rig"
    assert last["file"] == str(rig)
    assert last["projector_u_mm"] is None
    assert 0 < last["camera_u_mm"] <= last["camera_u_worst_mm"] < 1
    assert len(calibrated.told("seen")) == len(list(TABLE.glob("board_*.jpg")))
    assert json.loads(rig.read_text())["projector"] is None


def test_beside_the_rig_lies_its_picture(calibrated: Done, rig: Path) -> None:
    assert calibrated.events[-1]["picture"] == str(rig.with_suffix(".png"))
    assert cv2.imread(str(rig.with_suffix(".png"))) is not None


def test_a_lengths_budget_is_told_and_kept(calibrated: Done, rig: Path) -> None:
    """Of 100 mm; the sheet was said to be exact, so that scale has no part in it."""
    told, kept = calibrated.events[-1]["budget"], json.loads(rig.read_text())["budget_mm"]
    assert set(told) == set(kept) == {"length", "repeatable", "rig", "scale", "height", "combined"}
    assert told["scale"] == 0.0
    assert 0 < max(told["repeatable"], told["rig"], told["height"]) <= told["combined"] < 0.1


def test_the_mats_own_frame_is_found_in_photographs(tmp_path: Path) -> None:
    """Where the true camera sees places of the true mat, by OpenCV's projection from the truth file."""
    rig = tmp_path / "rig.json"
    views = ("--flat", FLAT, "--tilted", TILTED, "--empty", EMPTY)
    done = chalkbeam("calibrate", *views, "--bar", "exact", "--frame", "mat", "-o", rig, "--json")
    assert done.code == 0, done.err
    assert done.events[-1]["frame"] == "mat"
    assert "outline" in done.events[-1]["frame_how"]
    truth = json.loads((TABLE / "boards.json").read_text())["camera"]
    mat_mm = np.array([[30.0, 30.0], [880.0, 40.0], [870.0, 570.0], [40.0, 560.0], [450.0, 300.0]])
    turn, _ = cv2.Rodrigues(np.array(truth["R_mat_to_cam"]))
    at_mm, lens = np.array(truth["t_mat_to_cam_mm"]), (np.array(truth["K"]), np.array(truth["dist_k1k2p1p2k3"]))
    seen_px, _ = cv2.projectPoints(np.column_stack([mat_mm, np.zeros(5)]), turn, at_mm, *lens)
    placed = load_rig(rig).camera.pinhole.mat_from_px(np.asarray(seen_px[:, 0], float))
    assert placed == pytest.approx(mat_mm, abs=0.5)
