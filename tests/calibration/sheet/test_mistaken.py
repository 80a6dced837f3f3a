"""What is wrong with a picture of the sheet is named; a person must not have to guess. Boards drawn by OpenCV."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.lens.camera import CalibrationError
from calibration.lens.photographs import camera_from_photographs
from calibration.sheet.board import Board, parse_board
from calibration.sheet.corners import Refused, SheetView, find_sheet

FIXTURES = Path(__file__).parents[3] / "fixtures"


def photographed(drawn, blur_px=0.9):
    """A drawing lying aslant on a grey table."""
    h, w = drawn.shape
    onto = np.float32([[120, 90], [880, 60], [940, 660], [60, 620]])
    to_picture = cv2.getPerspectiveTransform(np.float32([[0, 0], [w, 0], [w, h], [0, h]]), onto)
    picture = cv2.warpPerspective(drawn // 255 * 180 + 20, to_picture, (1000, 720), borderValue=90)
    return cv2.GaussianBlur(picture, (0, 0), blur_px)


def charuco(x, y, name="DICT_5X5_100", legacy=False):
    board = cv2.aruco.CharucoBoard((x, y), 30.0, 22.0, cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)))
    board.setLegacyPattern(legacy)
    return photographed(board.generateImage((x * 120 + 60, y * 120 + 60), marginSize=30))


def grid(x, y, name="DICT_5X5_100"):
    board = cv2.aruco.GridBoard((x, y), 30.0, 6.0, cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)))
    return photographed(board.generateImage((x * 144 + 36, y * 144 + 36), marginSize=30))


def chessboard(x, y):
    squares = np.indices((y + 1, x + 1)).sum(axis=0) % 2 * 255
    return photographed(np.pad(np.kron(squares, np.ones((100, 100))), 60, constant_values=255).astype(np.uint8))


def test_what_is_told_rightly_is_found():
    for drawn, told in (
        (charuco(8, 6), "charuco:8x6:30mm:22mm:DICT_5X5_100"),
        (grid(5, 4), "grid:5x4:30mm:6mm:DICT_5X5_100"),
        (chessboard(9, 6), "chessboard:9x6:25mm"),
    ):
        assert isinstance(find_sheet(drawn, parse_board(told)), SheetView)


@pytest.mark.parametrize(
    ("drawn", "told", "why", "says"),
    [
        (charuco(8, 6, "DICT_6X6_250"), "charuco:8x6:30mm:22mm:DICT_5X5_100", "another_dictionary", "DICT_6X6_50"),
        (charuco(8, 6, "DICT_APRILTAG_36h11"), "charuco:8x6:30mm:22mm:DICT_5X5_100", "another_dictionary", "36h11"),
        (grid(5, 4, "DICT_4X4_50"), "grid:5x4:30mm:6mm:DICT_7X7_50", "another_dictionary", "DICT_4X4_50"),
        (charuco(8, 6, legacy=True), "charuco:8x6:30mm:22mm:DICT_5X5_100", "legacy", "legacy"),
        (charuco(8, 6)[:, ::-1], "charuco:8x6:30mm:22mm:DICT_5X5_100", "mirrored", "mirroring off"),
        (charuco(8, 6)[::-1], "charuco:8x6:30mm:22mm:DICT_5X5_100", "mirrored", "mirroring off"),
        (grid(5, 4)[:, ::-1], "grid:5x4:30mm:6mm:DICT_5X5_100", "mirrored", "mirroring off"),
        (charuco(7, 5), "charuco:8x6:30mm:22mm:DICT_5X5_100", "another_board", "do not lie as told"),
        (charuco(10, 7), "charuco:8x6:30mm:22mm:DICT_5X5_100", "another_board", "marker 34 is seen"),
        (charuco(8, 7), "charuco:8x6:30mm:22mm:DICT_5X5_100", "another_board", "ends with 23"),
        (grid(6, 4), "grid:5x4:30mm:6mm:DICT_5X5_100", "another_board", "marker 23 is seen"),
        (grid(4, 5), "grid:5x4:30mm:6mm:DICT_5X5_100", "another_board", "do not lie as told"),
        (charuco(8, 6), "grid:5x5:30mm:6mm:DICT_5X5_100", "another_board", "do not lie as told"),
        (charuco(8, 6), "chessboard:7x5:30mm", "another_board", "tell it as charuco"),
        (charuco(8, 6), "chessboard:9x6:30mm", "another_board", "markers of DICT_5X5_50 are seen"),
        (chessboard(9, 6), "chessboard:8x6:25mm", "another_board", "inner corners"),
        (chessboard(9, 6), "chessboard:9x7:25mm", "another_board", "9x6 inner corners are seen"),
        (chessboard(9, 6), "chessboard:8x5:25mm", "another_board", "inner corners"),
    ],
)
def test_another_board_than_was_told(drawn, told, why, says):
    found = find_sheet(np.ascontiguousarray(drawn), parse_board(told), "01.jpg")
    assert isinstance(found, Refused)
    assert (found.name, found.why) == ("01.jpg", why)
    assert says in found.do
    assert "\n" not in found.do
    assert ": " in found.do  # what is seen: what to do


def test_a_picture_out_of_focus_is_blurred_even_where_no_marker_can_be_read():
    drawn = charuco(8, 6)
    for blur_px in (4.0, 6.0, 9.0):
        found = find_sheet(cv2.GaussianBlur(drawn, (0, 0), blur_px), Board())
        assert isinstance(found, Refused)
        assert found.why == "blurred"


def test_a_picture_that_is_all_white_is_overexposed():
    found = find_sheet(np.clip(charuco(8, 6) * 9.0, 0, 255).astype(np.uint8), Board())
    assert isinstance(found, Refused)
    assert found.why == "overexposed"


@pytest.mark.parametrize("name", ["empty_01.jpg", "units_04.jpg"])
def test_a_table_without_the_sheet_is_nothing_else(name):
    found = find_sheet(cv2.imread(str(FIXTURES / "table" / name)), Board())
    assert isinstance(found, Refused)
    assert found.why == "hidden"


def test_a_hand_over_half_of_the_sheet_is_no_other_board():
    drawn = charuco(8, 6)
    drawn[:, :640] = 100
    found = find_sheet(drawn, Board())
    assert isinstance(found, SheetView) or found.why == "hidden"


def test_all_pictures_of_another_board_end_in_one_line():
    pictures = [(f"{i}.jpg", charuco(8, 6, legacy=True)) for i in range(3)]
    with pytest.raises(CalibrationError, match=r"0\.jpg and all other pictures: the sheet has OpenCV.*; print"):
        camera_from_photographs(pictures[:1], pictures[1:], Board())


def test_a_row_that_no_picture_shows_was_not_printed():
    # five rows of squares where six were told: the numbering starts at the top, so all is found but the last row
    pictures = [(f"{i}.jpg", charuco(8, 5)) for i in range(3)]
    with pytest.raises(CalibrationError, match=r"no picture shows the sheet's lowest corners; "):
        camera_from_photographs(pictures[:1], pictures[1:], Board())
