"""Corners to a hundredth of a pixel, and sheets that are not to be used."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.special import erf

from calibration.light import linear_from_srgb
from calibration.sheet.board import Board, parse_board, picture
from calibration.sheet.corners import Refused, SheetView, apart_px, find_sheet
from calibration.sheet.saddle import fit_saddles

FIXTURES = Path(__file__).parents[3] / "fixtures"
TABLE = FIXTURES / "table"
TRUTH = json.loads((TABLE / "boards.json").read_text())


def true_corners_px(name: str, ids):
    """Where the rendered board's corners are, by OpenCV's own projection of the truth."""
    camera, pose = TRUTH["camera"], TRUTH["boards"][name]
    points = Board().opencv().getChessboardCorners()[ids].astype(float)
    points = points @ np.array(pose["R_board_to_mat"]).T + np.array(pose["t_board_to_mat_mm"])
    px, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(np.array(camera["R_mat_to_cam"]))[0],
        np.array(camera["t_mat_to_cam_mm"]),
        np.array(camera["K"]),
        np.array(camera["dist_k1k2p1p2k3"]),
    )
    return px.reshape(-1, 2)


def test_rendered_boards():
    misses, u = [], []
    for name in TRUTH["boards"]:
        view = find_sheet(cv2.imread(str(TABLE / name)), Board(), name)
        assert isinstance(view, SheetView)
        assert len(view.ids) == 35
        misses.append(view.corners_px - true_corners_px(name, view.ids))
        u.append(view.corners_u_px)
    rms = np.sqrt(np.mean(np.square(np.concatenate(misses))))
    assert rms < 0.012  # OpenCV's detector alone leaves 0.039 on such frames
    # the pixels' scatter foretells it but for what JPEG correlates
    assert 0.5 < rms / np.sqrt(np.mean(np.square(np.concatenate(u)))) < 2.0


def test_a_real_photograph_agrees_with_its_published_camera():
    # OpenCV project, ChArUco tutorial: 24 of 24 corners; its own corners reproject with 0.216 px
    folder = FIXTURES / "photographs" / "charuco-desk"
    file = cv2.FileStorage(str(folder / "camera.yml"), cv2.FILE_STORAGE_READ)
    matrix, distortion = file.getNode("camera_matrix").mat(), file.getNode("distortion_coefficients").mat()
    view = find_sheet(cv2.imread(str(folder / "charuco-desk.jpg")), parse_board("charuco:5x7:40mm:20mm:DICT_6X6_250"))
    assert isinstance(view, SheetView)
    assert len(view.ids) == 24
    points = np.column_stack([view.corners_sheet_mm, np.zeros(24)])
    _, turn, shift = cv2.solvePnP(points, view.corners_px, matrix, distortion)
    px = cv2.projectPoints(points, turn, shift, matrix, distortion)[0].reshape(-1, 2)
    assert np.sqrt(np.mean(np.sum((px - view.corners_px) ** 2, axis=1))) < 0.216


def drawn_saddle(at_px, angles, blur_px, rng):
    """A corner by the definition of its light; the noise is the test's own."""
    y, x = np.mgrid[:41, :47].astype(float)
    edges = [np.cos(a) * (y - at_px[1]) - np.sin(a) * (x - at_px[0]) for a in angles]
    light = 0.45 - 0.35 * erf(edges[0] / blur_px / np.sqrt(2)) * erf(edges[1] / blur_px / np.sqrt(2))
    return (light + rng.normal(0, 0.01, light.shape)).astype(np.float32)


def test_stated_uncertainty_of_a_corner_is_the_spread_of_repeated_fits():
    rng, n = np.random.default_rng(11), 300
    angles = (0.21, 1.64)
    along, up = 30 * np.array([[np.cos(a), np.sin(a)] for a in angles])
    z = []
    for _ in range(n):
        at = np.array([23.3, 19.7]) + rng.uniform(-0.5, 0.5, 2)
        fit = fit_saddles(
            drawn_saddle(at, angles, 0.9, rng), at[None] + rng.normal(0, 0.3, (1, 2)), along[None], up[None], 0.4, 0.45
        )
        assert fit.good[0]
        z.append((fit.corners_px[0] - at) / fit.corners_u_px[0])
    # the mean of 2n squares has a standard error of sqrt(2 / 2n); the window keeps pixels beyond 4 of them rare
    assert abs(np.mean(np.square(z)) - 1) < 4 * np.sqrt(1 / n)


def test_linear_light():
    # IEC 61966-2-1: the curve's join, and 18 % grey at 0.4614
    assert linear_from_srgb(np.array([0.04045, 0.46135613])) == pytest.approx([0.0031308, 0.18], abs=1e-6)


def test_how_far_a_sheet_went():
    def view(ids, px):
        return SheetView("", np.array(ids), np.zeros((len(ids), 2)), np.array(px, float), np.ones(len(ids)))

    one = view([1, 2, 5], [[10, 10], [20, 10], [50, 50]])
    assert apart_px(one, one) == 0.0
    assert apart_px(one, view([0, 2, 5], [[0, 0], [23, 14], [53, 54]])) == 5.0  # 3, 4, 5
    assert apart_px(one, view([7], [[0, 0]])) == float("inf")


def test_one_row_of_corners_is_no_sheet():
    board = parse_board("charuco:12x4:30mm:22mm:DICT_5X5_100")
    drawn = picture(board, 2.0)
    row = drawn.pixels.copy()
    row[: row.shape[0] // 2 - 4] = 128  # the lowest row of corners is left, all eleven of them
    found = find_sheet(row, board)
    assert isinstance(found, Refused)
    assert found.why == "hidden"


def test_no_sheet_is_hidden():
    found = find_sheet(np.full((480, 640, 3), 120, np.uint8), Board(), "bare.jpg")
    assert isinstance(found, Refused)
    assert (found.name, found.why) == ("bare.jpg", "hidden")
    assert "0 of 35 corners" in found.do


def test_a_covered_sheet_is_hidden_and_a_soft_one_blurred():
    frame = cv2.imread(str(TABLE / "board_flat_05.jpg"))
    px = true_corners_px("board_flat_05.jpg", np.arange(35))
    covered = frame.copy()
    x0, y0 = (px.min(axis=0) - 60).astype(int)
    x1, y1 = (px.max(axis=0) + 60).astype(int)
    covered[y0 : y1 - 110, x0:x1] = 90
    found = find_sheet(covered, Board())
    assert isinstance(found, Refused)
    assert found.why == "hidden"
    soft = find_sheet(cv2.GaussianBlur(frame, (0, 0), 4.5), Board())
    assert isinstance(soft, Refused)
    assert soft.why in ("blurred", "hidden")


def test_clipped_white_is_overexposed():
    frame = cv2.imread(str(TABLE / "board_flat_05.jpg")).astype(float)
    found = find_sheet(np.clip(frame * 1.6, 0, 255).astype(np.uint8), Board())
    assert isinstance(found, Refused)
    assert found.why == "overexposed"
