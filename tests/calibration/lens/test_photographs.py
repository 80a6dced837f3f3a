"""Real photographs made by others, with values that their makers or OpenCV state for them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial import Delaunay

from calibration.lens.camera import CameraSolution, solve_camera
from calibration.light import linear_grey
from calibration.sheet.board import parse_board
from calibration.sheet.corners import SheetView, find_sheet
from calibration.sheet.ink import growth_mm
from calibration.sheet.markers import fit_marker_corners
from calibration.sheet.rough import search

PHOTOGRAPHS = Path(__file__).parents[3] / "fixtures" / "photographs"
LEFT_BOARD = parse_board("chessboard:9x6:25mm")
GRID_BOARD = parse_board("grid:4x5:37.5mm:5mm:DICT_6X6_1000")


@cache
def views(folder: str, told: str) -> tuple[SheetView, ...]:
    board = parse_board(told)
    paths = sorted(path for path in (PHOTOGRAPHS / folder).iterdir() if path.suffix in (".png", ".jpg"))
    found = [find_sheet(cv2.imread(str(path)), board, path.name) for path in paths]
    assert all(isinstance(one, SheetView) for one in found), [str(one) for one in found]
    return tuple(one for one in found if isinstance(one, SheetView))


@cache
def solved(folder: str, told: str) -> CameraSolution:
    seen = views(folder, told)
    return solve_camera(seen[:1], seen[1:], (640, 480), 0.0)


def plain_opencv(seen, size_px):
    """cv2.calibrateCamera on the same corners: focal lengths, centre, distortion, RMS per point."""
    objects = [np.column_stack([view.corners_sheet_mm, 0 * view.ids]).astype(np.float32) for view in seen]
    images = [view.corners_px.astype(np.float32) for view in seen]
    rms, matrix, distortion, *_ = cv2.calibrateCamera(objects, images, size_px, np.eye(3), np.zeros(5))
    return matrix, distortion.ravel()[:5], rms


# --- chessboard-left: samples/data/left_intrinsics.yml of the OpenCV project -------------------------------

LEFT = ("chessboard-left", "chessboard:9x6:25mm")
LEFT_MATRIX = np.array([[535.915733961632, 0, 342.283154733084], [0, 535.915733961632, 235.570829097882], [0, 0, 1]])
LEFT_DISTORTION = np.array(
    [-0.266372609096607, -0.0385888989223047, 0.0017831947042853, -0.000281221004411155, 0.238391530808785]
)
LEFT_U = (0.93, 0.97, 0.97, 1.07)  # OpenCV's own standard deviations on these photographs: fx, fy, cx, cy


def test_left_focal_lengths_and_centre():
    device = solved(*LEFT).device
    lens, u = device.pinhole.lens, np.sqrt(np.diag(device.covariance))[:4]
    published = [535.916, 535.916, 342.283, 235.571]
    off = np.array([*lens.focal_px, *lens.centre_px]) - published
    assert np.all(np.abs(off) < 3 * np.hypot(LEFT_U, u))


def displaced_px(matrix, distortion, rays):
    """What distortion does to these rays, in px of this camera."""
    bent = cv2.projectPoints(np.column_stack([rays, np.ones(len(rays))]), np.zeros(3), np.zeros(3), matrix, distortion)
    return bent[0].reshape(-1, 2) - (rays @ matrix[:2, :2].T + matrix[:2, 2])


def test_left_distortion_where_the_board_was_seen():
    """Over the part of the picture in which any of the 702 corners lies; beyond, no photograph says anything.

    The published coefficients rest on corners of left02 that are up to 6 px off (see below), and on a print taken as
    perfect that is uneven by 0.06 mm. OpenCV on `cornerSubPix` corners of 11 px comes back to them over the whole
    picture (0.01 px in the median, 0.4 at worst); without left02 the same corners are 0.12 and 1.6 px away, and windows
    of 3, 5 and 8 px 0.11 to 0.16 and 1.1 to 4.2. Ours are 0.21 and 1.17, at a stated uncertainty of 1.3 px there.
    """
    x, y = np.meshgrid(np.linspace(0, 639, 33), np.linspace(0, 479, 25))
    px = np.column_stack([x.ravel(), y.ravel()])
    seen_px = np.concatenate([view.corners_px for view in views(*LEFT)])
    px = px[Delaunay(seen_px).find_simplex(px) >= 0]
    rays = (px - LEFT_MATRIX[:2, 2]) / LEFT_MATRIX[0, 0]
    lens = solved(*LEFT).device.pinhole.lens
    ours = displaced_px(lens.matrix, np.array(lens.distortion), rays)
    apart = np.hypot(*(ours - displaced_px(LEFT_MATRIX, LEFT_DISTORTION, rays)).T)
    assert np.median(apart) < 0.2
    assert apart.max() < 0.8


def test_left_corners_fit_a_plane_better_than_opencvs():
    # OpenCV's corners leave 0.393 px (published average) and 0.409 px (refitted) per point, 0.22 without left02
    assert plain_opencv(views(*LEFT), (640, 480))[2] < 0.22


def test_left02_is_poor_by_opencvs_corners_and_not_by_ours():
    """cornerSubPix with its usual window jumps to other features there; a solve that is given such corners says so."""
    given = []
    for view in views(*LEFT):
        picture = cv2.imread(str(PHOTOGRAPHS / "chessboard-left" / view.name), cv2.IMREAD_GRAYSCALE)
        theirs = view.corners_px.astype(np.float32).reshape(-1, 1, 2)
        theirs = cv2.cornerSubPix(picture, theirs, (11, 11), (-1, -1), (3, 30, 0.1)).reshape(-1, 2).astype(float)
        given.append(SheetView(view.name, view.ids, view.corners_sheet_mm, theirs, view.corners_u_px))
    told = solve_camera(given[:1], given[1:], (640, 480), 0.0)
    assert [(one.name, one.why) for one in told.refused] == [("left02.png", "poor")]
    assert solved(*LEFT).refused == ()


def bowed_px(matrix, distortion, seen):
    """RMS distance of corners from straight lines through their rows and columns, the lens undone.

    D. C. Brown, "Close-range camera calibration", 1971: a right lens makes straight lines straight; no pose is in it.
    """
    away = []
    for view in seen:
        straight = cv2.undistortPoints(view.corners_px[:, None], matrix, distortion).reshape(6, 9, 2) * matrix[0, 0]
        for line in (*straight, *straight.swapaxes(0, 1)):
            middled = line - line.mean(axis=0)
            away.append(middled @ np.linalg.svd(middled)[2][1])
    return np.sqrt(np.mean(np.square(np.concatenate(away))))


def test_left_lines_are_straighter_than_the_published_lens_makes_them():
    """Of views that were left out of our solve, too, though they were not left out of theirs.

    Towards the corners of the picture, where no board was, the two lenses are 1.2 px apart and no photograph decides.
    """
    seen = views(*LEFT)
    left_out = []
    for out in range(len(seen)):
        others = [view for i, view in enumerate(seen) if i != out]
        lens = solve_camera(others[:1], others[1:], (640, 480), 0.0).device.pinhole.lens
        left_out.append(bowed_px(lens.matrix, np.array(lens.distortion), [seen[out]]))
    theirs = [bowed_px(LEFT_MATRIX, LEFT_DISTORTION, [view]) for view in seen]
    assert np.mean(np.square(left_out)) < np.mean(np.square(theirs))


# --- graycode-chessboard: calibration_result.xml of github.com/kamino410/procam-calibration ----------------


def test_the_graycode_cameras_focal_length():
    """Published 3452.39 and 3449.92; one standard deviation of either is 9 px, for the board is bent in one pose.

    Plain least squares on our corners, as the published values come from least squares on theirs.
    """
    matrix, _, rms = plain_opencv(views("graycode-chessboard", "chessboard:7x9:75mm"), (1280, 1024))
    assert matrix[0, 0] == pytest.approx(3452.39, rel=1e-3)
    assert matrix[1, 1] == pytest.approx(3449.92, rel=1e-3)
    assert rms < 0.312  # OpenCV's corners


def test_the_graycode_cameras_focal_length_by_our_own_solve():
    """Five views of a board that is bent in all and creased in one: the creased one is named, the bends are found.

    They are some millimetres on 450 x 600 mm. Taken as flat, the board makes smooth errors, and the doubt is told.
    """
    seen = views("graycode-chessboard", "chessboard:7x9:75mm")
    by_bends = {bends: solve_camera(seen[:1], seen[1:], (1280, 1024), 0.0, bends=bends) for bends in (True, False)}
    focal, u = {}, {}
    for bends, solution in by_bends.items():
        device = solution.device
        focal[bends], u[bends] = np.array(device.pinhole.lens.focal_px), np.sqrt(np.diag(device.covariance))[:2]
        assert [(one.name, one.why) for one in solution.refused] == [("white_1.jpg", "poor")]
        assert np.all(np.abs(focal[bends] - [3452.39, 3449.92]) < 2 * u[bends])
    assert focal[True] == pytest.approx([3452.39, 3449.92], rel=1e-3)
    assert np.all(u[True] < 0.7 * u[False])


# --- aruco-grid: github.com/abakisita/camera_calibration; a third of its 42 photographs ---------------------

GRID = ("aruco-grid", "grid:4x5:37.5mm:5mm:DICT_6X6_1000")


def test_the_grids_camera():
    # OpenCV on its own corners of all 42: fx 811.0, fy 810.7, c (318.3, 240.6), with these standard deviations
    device = solved(*GRID).device
    lens, u = device.pinhole.lens, np.sqrt(np.diag(device.covariance))[:4]
    off = np.array([*lens.focal_px, *lens.centre_px]) - [811.0, 810.7, 318.3, 240.6]
    assert np.all(np.abs(off) < 3 * np.hypot([0.93, 0.94, 0.8, 0.9], u))
    assert device.residual_px < 0.462 / np.sqrt(2)  # OpenCV's RMS per point


def test_the_grids_ink():
    """The makers measured 37.5 mm by hand; the file they printed has marker : pitch = 196 : 221, so 37.69 mm.

    Edges are measured against the pitch of 42.5 mm, so they should stand 0.095 mm outside of where 37.5 has them.
    """
    grown = []
    for path in sorted((PHOTOGRAPHS / "aruco-grid").glob("*.jpg")):
        picture = cv2.imread(str(path))
        rough = search(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), GRID_BOARD)
        cell, gap = GRID_BOARD.cell_mm / 37.5, 5.0 / 37.5
        fit = fit_marker_corners(linear_grey(picture), rough.px.reshape(-1, 4, 2), cell, gap)
        grown.append(growth_mm(GRID_BOARD, rough.ids[fit.good], fit.corners_px[fit.good]))
    printed_mm = 42.5 * 196 / 221
    assert 37.5 + 2 * np.mean(grown) == pytest.approx(printed_mm, abs=0.06)
    assert np.std(grown) < 0.02  # the same print in every picture
