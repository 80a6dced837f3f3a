"""Small pictures: markers of a few pixels a cell are hard to read, the corners between them are not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.light import linear_grey
from calibration.sheet.board import Board
from calibration.sheet.completing import completed
from calibration.sheet.corners import Refused, SheetView, find_sheet
from calibration.sheet.lattice import foretold
from calibration.sheet.rough import search
from tests.calibration.sheet.drawn_sheet import Scene, draw

BOARD = Board()
# The whole sheet in a webcam's smaller modes, over a mat that fills the picture: 0.95 and 0.63 px a millimetre.
QHD = Scene((960, 540), 900.0, (-0.1, 0.02, 0.0, 0.0, 0.0), (0.1, 0.05), 0.3, (120.0, -60.0, 947.0))
VGA = replace(QHD, size_px=(640, 480), focal_px=600.0)


@cache
def drawn(scene: Scene, blur_px: float = 0.6) -> np.ndarray:
    return draw(BOARD, scene, blur_px=blur_px)


@pytest.mark.parametrize("scene", [QHD, VGA], ids=["960x540", "640x480"])
@pytest.mark.parametrize("turn_rad", [0.3, 2.2])
def test_all_corners_of_a_small_sheet(scene, turn_rad):
    scene = replace(scene, turn_rad=turn_rad)
    view = find_sheet(drawn(scene), BOARD)
    assert isinstance(view, SheetView)
    assert len(view.ids) == 35
    misses = view.corners_px - scene.corners_px(BOARD, view.ids)
    assert np.sqrt(np.mean(misses**2)) < 0.02
    assert np.mean((misses / view.corners_u_px[:, None]) ** 2) < 2.0


def test_the_detector_alone_passes_over_many():
    """What the module is for: if this fails, it may go."""
    assert len(search(drawn(VGA), BOARD).ids) < 20


def test_no_corner_is_made_up_under_a_hand():
    scene, covered = QHD, drawn(QHD).copy()
    px = scene.corners_px(BOARD, np.arange(35))
    x0, y0 = (px.min(axis=0) - 40).astype(int)
    x1, y1 = px.mean(axis=0).astype(int)
    rng = np.random.default_rng(3)
    skin = cv2.GaussianBlur(rng.normal(150, 200, (y1 - y0, x1 - x0)), (0, 0), 2.0)
    covered[y0:y1, x0:x1] = np.clip(skin, 0, 255)
    view = find_sheet(covered, BOARD)
    assert isinstance(view, SheetView)
    hidden = np.all((px > [x0, y0]) & (px < [x1, y1]), axis=1)
    assert not set(np.flatnonzero(hidden).tolist()) & set(view.ids.tolist())
    misses = view.corners_px - px[view.ids]
    assert np.abs(misses).max() < 0.1


def test_markers_of_another_layout_complete_nothing():
    other = Board(7, 8, 30.0, 22.0)  # the same markers, in rows of another length
    picture = drawn(QHD)
    told = search(picture, other)
    assert len(told.anchor_ids) >= 8
    assert len(completed(linear_grey(picture), other, told).ids) == len(told.ids)
    assert isinstance(find_sheet(picture, other), Refused)


def test_a_few_markers_of_another_layout_are_not_believed():
    """Three markers in a row lie alike in many boards: those of the attempt that read most count."""
    folder = Path(__file__).parents[3] / "fixtures" / "table"
    for path in sorted(folder.glob("board_*.jpg")):
        found = find_sheet(cv2.imread(str(path)), Board(7, 8, 30.0, 22.0))
        assert isinstance(found, Refused)
        assert found.why == "another_board"


def test_neighbours_foretell_a_point_of_a_wide_lens():
    wide = replace(QHD, focal_px=420.0, distortion=(-0.3, 0.08, 0.0, 0.0, 0.0), middle_mm=(150.0, 60.0, 400.0))
    px, sheet_mm = wide.corners_px(BOARD, np.arange(35)), BOARD.corners_sheet_mm
    for left_out in range(35):
        others = np.arange(35) != left_out
        found, near = foretold(sheet_mm[others], px[others], sheet_mm[~others], 30.0)
        assert near[0]
        assert np.hypot(*(found[0] - px[left_out])) < 1.5  # the fit begins within 2 px
    assert not foretold(sheet_mm[:20], px[:20], np.array([[1000.0, 0.0]]), 30.0)[1][0]
