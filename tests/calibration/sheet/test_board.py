"""The printed sheet: how it is told, drawn and numbered."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.sheet.board import Board, BoardError, Chessboard, Grid, parse_board, picture


def test_the_usual_sheet():
    assert parse_board("charuco:8x6:30mm:22mm:DICT_5X5_100") == Board()
    assert parse_board("chessboard:9x6:25mm") == Chessboard(9, 6, 25.0)
    assert parse_board("grid:4x5:37.5mm:5mm:DICT_6X6_1000") == Grid(4, 5, 37.5, 5.0, "DICT_6X6_1000")


def test_an_inch_is_25_4_mm():  # the international inch of 1959
    assert parse_board("chessboard:9x6:1in") == Chessboard(9, 6, 25.4)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "does not parse"),
        ("charuco:8x6:30mm:22mm", "does not parse"),
        ("charuco:8by6:30mm:22mm:DICT_5X5_100", '"8by6" is not a number across and down'),
        ("charuco:8x6:30:22mm:DICT_5X5_100", '"30" is not a length'),
        ("charuco:8x6:30mm:22mm:DICT_9X9_7", "unknown dictionary DICT_9X9_7"),
        ("charuco:8x6:30mm:22mm:detectMarkers", "unknown dictionary detectMarkers"),
        ("charuco:8x6:30mm:31mm:DICT_5X5_100", "do not fit"),
        ("charuco:2x6:30mm:22mm:DICT_5X5_100", "is too small"),
        ("charuco:20x20:30mm:22mm:DICT_5X5_100", "has 100 markers, the board needs 200"),
        ("chessboard:9x6:0mm", "above 0 mm"),
        ("grid:4x5:37.5mm:DICT_6X6_1000", "does not parse"),
        ("grid:1x5:37.5mm:5mm:DICT_6X6_1000", "is too small"),
        ("grid:4x5:37.5mm:0mm:DICT_6X6_1000", "above 0 mm"),
        ("grid:4x5:37.5mm:5mm:DICT_1X1_2", "unknown dictionary DICT_1X1_2"),
        ("grid:9x6:37.5mm:5mm:DICT_6X6_50", "has 50 markers, the board needs 54"),
    ],
)
def test_what_does_not_parse_is_refused_in_one_line(text, says):
    with pytest.raises(BoardError) as refusal:
        parse_board(text)
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_corners_are_opencvs_turned_upright():
    board = Board(7, 5, 30.0, 20.0)
    theirs = board.opencv().getChessboardCorners()  # y down from the top-left corner
    turned = np.column_stack([theirs[:, 0], 5 * 30.0 - theirs[:, 1]])
    assert np.array_equal(board.corners_sheet_mm, turned)


def test_first_and_last_corner_by_hand():
    corners = Board().corners_sheet_mm  # 7 x 5 inner corners, from the top left
    assert corners[0].tolist() == [30.0, 150.0]
    assert corners[6].tolist() == [210.0, 150.0]
    assert corners[-1].tolist() == [210.0, 30.0]


@pytest.mark.parametrize("board", [Board(), Board(7, 5, 24.0, 18.0), Board(6, 9, 20.0, 10.0, "DICT_6X6_250")])
@pytest.mark.parametrize("px_per_mm", [4.0, 5.3])
def test_the_picture_shows_each_corner_in_its_place(board, px_per_mm):
    drawn = picture(board, px_per_mm, margin_mm=11.0)
    corners_px, ids, *_ = cv2.aruco.CharucoDetector(board.opencv()).detectBoard(drawn.pixels)
    assert len(ids) == len(board.corners_sheet_mm)
    px = corners_px.reshape(-1, 2) + 0.5  # from pixel centres to the picture's rim
    seen_mm = np.column_stack([px[:, 0], drawn.pixels.shape[0] - px[:, 1]]) / px_per_mm - drawn.margin_mm
    # an edge may lie half a pixel off where pixels and squares do not divide; the detector has float32
    assert np.abs(seen_mm - board.corners_sheet_mm[ids.ravel()]).max() <= 0.51 / px_per_mm
    assert drawn.size_mm == (drawn.pixels.shape[1] / px_per_mm, drawn.pixels.shape[0] / px_per_mm)


def test_the_top_left_square_is_black_and_the_margin_white():
    drawn = picture(Board(), 2.0, margin_mm=10.0)
    assert np.all(drawn.pixels[20:80, 20:80] == 0)
    rim = drawn.pixels.copy()
    rim[20:-20, 20:-20] = 255
    assert np.all(rim == 255)


def test_a_grids_corners_are_opencvs_turned_upright():
    grid = Grid(4, 5, 37.5, 5.0, "DICT_6X6_1000")
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)
    theirs = cv2.aruco.GridBoard((4, 5), 37.5, 5.0, dictionary)
    points = np.concatenate([np.reshape(marker, (4, 3)) for marker in theirs.getObjPoints()])  # y down
    assert grid.size_mm == (165.0, 207.5)  # by hand: 4 * 42.5 - 5, 5 * 42.5 - 5
    assert grid.corners_sheet_mm == pytest.approx(np.column_stack([points[:, 0], 207.5 - points[:, 1]]))
    assert theirs.getIds().ravel().tolist() == list(range(grid.markers))
