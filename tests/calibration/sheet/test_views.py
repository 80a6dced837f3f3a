"""The sheet as it is met: any way up, aslant, through a wide lens, in little light, partly out of the picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.sheet.board import Board, parse_board
from calibration.sheet.corners import Refused, SheetView, find_sheet
from calibration.sheet.ink import growth_mm
from calibration.sheet.lattice import local_shape, mirrored, torn
from tests.calibration.sheet.drawn_sheet import Scene, draw

CHARUCO = Board()
GRID = parse_board("grid:4x5:37.5mm:5mm:DICT_6X6_1000")
PLAIN = Scene((960, 720), 1000.0, (0.0,) * 5, (0.2, 0.1), 0.3, (0.0, 0.0, 420.0))
WIDE = replace(PLAIN, focal_px=520.0, distortion=(-0.35, 0.13, 0.0, 0.0, -0.02), middle_mm=(0.0, 0.0, 240.0))


def misses_px(board, scene, **light) -> tuple[SheetView, np.ndarray]:
    view = find_sheet(draw(board, scene, **light), board)
    assert isinstance(view, SheetView), str(view)
    return view, view.corners_px - scene.corners_px(board, view.ids)


@pytest.mark.parametrize("board", [CHARUCO, GRID], ids=["charuco", "grid"])
@pytest.mark.parametrize(
    ("scene", "share", "rms_px"),
    [
        pytest.param(PLAIN, 1.0, 0.015, id="plain"),
        pytest.param(replace(PLAIN, turn_rad=0.3 + np.pi / 2), 1.0, 0.015, id="a quarter turn"),
        pytest.param(replace(PLAIN, turn_rad=0.3 + np.pi), 1.0, 0.015, id="upside down"),
        pytest.param(replace(PLAIN, tilt_rad=(0.9, 0.3)), 0.9, 0.04, id="aslant by 54 degrees"),
        pytest.param(replace(PLAIN, middle_mm=(140.0, 70.0, 420.0)), 0.5, 0.015, id="partly out of the picture"),
        pytest.param(WIDE, 1.0, 0.015, id="a wide lens"),
        pytest.param(replace(WIDE, middle_mm=(150.0, -60.0, 330.0)), 0.9, 0.02, id="the rim of a wide lens"),
    ],
)
def test_corners_to_hundredths_of_a_pixel(board, scene, share, rms_px):
    view, misses = misses_px(board, scene)
    assert len(view.ids) >= share * len(board.corners_sheet_mm)
    assert np.sqrt(np.mean(misses**2)) < rms_px
    assert view.blur_px == pytest.approx(np.hypot(0.7, 0.6), abs=0.2)  # the lens, and the drawing's own with the pixel
    assert view.white == pytest.approx(0.8, abs=0.03)


@pytest.mark.parametrize("board", [CHARUCO, GRID], ids=["charuco", "grid"])
def test_stated_uncertainty_is_the_size_of_the_errors(board):
    view, misses = misses_px(board, PLAIN, noise=0.01)
    z2 = np.mean((misses / view.corners_u_px[:, None]) ** 2)
    assert abs(z2 - 1) < 4 * np.sqrt(2 / misses.size)  # the mean of n squares has a standard error of sqrt(2 / n)


@pytest.mark.parametrize("board", [CHARUCO, GRID], ids=["charuco", "grid"])
@pytest.mark.parametrize(
    "light",
    [{"paper": 0.05, "ink": 0.02, "noise": 0.0005}, {"paper": 0.4, "ink": 0.3, "noise": 0.002}],
    ids=["dim", "pale ink"],
)
def test_in_little_light(board, light):
    view, misses = misses_px(board, PLAIN, **light)
    assert len(view.ids) == len(board.corners_sheet_mm)
    assert np.sqrt(np.mean(misses**2)) < 0.08  # a step of 8 bits is a twentieth of such an edge


def test_a_shadow_across_the_sheet():
    picture = draw(CHARUCO, PLAIN).astype(float)
    picture *= np.linspace(0.15, 1.0, picture.shape[1])
    view = find_sheet(picture.astype(np.uint8), CHARUCO)
    assert isinstance(view, SheetView)
    assert len(view.ids) >= 30


def test_a_large_picture_is_searched_reduced_and_measured_in_full():
    view, misses = misses_px(CHARUCO, replace(PLAIN, size_px=(2080, 1560), focal_px=2150.0))
    assert len(view.ids) == 35
    assert np.sqrt(np.mean(misses**2)) < 0.015


class Shifted:
    """The board's corners, moved along its x."""

    size_mm = CHARUCO.size_mm

    def __init__(self, by_mm: float) -> None:
        self.corners_sheet_mm = CHARUCO.corners_sheet_mm + np.array([by_mm, 0.0])


def test_shape_of_a_view_by_differences():
    """Slopes and bends that corners 30 mm apart tell, against those of the lens itself over half a millimetre."""
    scene, ids, step = replace(WIDE, middle_mm=(60.0, -30.0, 300.0)), np.arange(35), 0.5
    found = local_shape(CHARUCO.corners_sheet_mm, scene.corners_px(CHARUCO, ids), 30.0)
    ahead, here, behind = (scene.corners_px(Shifted(by), ids) for by in (step, 0.0, -step))
    slope = (ahead - behind) / (2 * step)
    second = (ahead - 2 * here + behind) / step**2
    bend = (slope[:, 0] * second[:, 1] - slope[:, 1] * second[:, 0]) / np.hypot(*slope.T) ** 3
    x, y = CHARUCO.corners_sheet_mm.T
    inner = (x > 30) & (x < 210) & (y > 30) & (y < 150)  # at the rim there are neighbours on one side only
    assert np.abs(found.along - slope)[inner].max() < 0.02 * np.hypot(*slope.T).min()
    assert np.abs(found.along_bend - bend)[inner].max() < 0.25 * np.abs(bend).max()


def test_ink_that_spreads_is_found_and_taken_back():
    drawn = draw(parse_board("grid:4x5:37.9mm:4.6mm:DICT_6X6_1000"), PLAIN)  # 0.2 mm of ink on every edge
    view = find_sheet(drawn, GRID)
    assert isinstance(view, SheetView)
    # the larger pattern begins 0.2 mm further out on all sides: its middle is where GRID's is
    misses = view.corners_px - PLAIN.corners_px(GRID, view.ids)
    assert np.sqrt(np.mean(misses**2)) < 0.02  # 0.2 mm are half a pixel
    assert growth_mm(GRID, view.ids, view.corners_px) == pytest.approx(0.0, abs=0.002)


def test_a_mirrored_or_shuffled_board_is_seen_from_its_corners():
    px = PLAIN.corners_px(CHARUCO, np.arange(35))
    assert not mirrored(CHARUCO.corners_sheet_mm, px)
    assert mirrored(CHARUCO.corners_sheet_mm, px * [-1, 1])
    assert not torn(CHARUCO.corners_sheet_mm, px, 30.0)
    assert torn(CHARUCO.corners_sheet_mm, np.roll(px, 3, axis=0), 30.0)


def test_markers_too_soft_for_their_cells_are_blurred():
    found = find_sheet(draw(GRID, replace(PLAIN, middle_mm=(0.0, 0.0, 600.0)), blur_px=2.5), GRID)
    assert isinstance(found, Refused)
    assert found.why in ("blurred", "hidden")


def test_grey_and_colour_pictures_are_the_same():
    picture = draw(CHARUCO, PLAIN)
    one, other = find_sheet(picture, CHARUCO), find_sheet(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), CHARUCO)
    assert isinstance(one, SheetView)
    assert isinstance(other, SheetView)
    assert np.array_equal(one.corners_px, other.corners_px)
