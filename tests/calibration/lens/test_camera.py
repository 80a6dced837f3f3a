"""The camera against rendered truth, a real lens with published values, and its own stated uncertainty."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.lens.camera import CalibrationError, CameraSolution, solve_camera
from calibration.lens.photographs import camera_from_photographs
from calibration.pinhole import Lens, Pinhole
from calibration.projection import mat_by_parameters, turn
from calibration.sheet.board import Board, parse_board
from calibration.sheet.corners import SheetView

FIXTURES = Path(__file__).parents[3] / "fixtures"
TABLE = FIXTURES / "table"
TRUTH = json.loads((TABLE / "boards.json").read_text())
CHESSBOARD = FIXTURES / "photographs" / "chessboard-left"


def photographs(pattern: str, folder: Path = TABLE):
    return [(path.name, cv2.imread(str(path))) for path in sorted(folder.glob(pattern))]


@cache
def rendered_table() -> tuple[CameraSolution, tuple[str, ...]]:
    return camera_from_photographs(photographs("board_flat_*"), photographs("board_tilt_*"), Board())


def whole_mat():
    x, y = np.meshgrid(np.linspace(0, 914.4, 37), np.linspace(0, 609.6, 25))
    return np.column_stack([x.ravel(), y.ravel()])


def true_px(points_mat_mm):
    camera = TRUTH["camera"]
    px, _ = cv2.projectPoints(
        np.column_stack([points_mat_mm, np.zeros(len(points_mat_mm))]),
        cv2.Rodrigues(np.array(camera["R_mat_to_cam"]))[0],
        np.array(camera["t_mat_to_cam_mm"]),
        np.array(camera["K"]),
        np.array(camera["dist_k1k2p1p2k3"]),
    )
    return px.reshape(-1, 2)


def aligned(points, onto):
    """Points after the best rigid motion in the plane onto others (Procrustes without scale)."""
    a, b = points - points.mean(axis=0), onto - onto.mean(axis=0)
    u, _, v = np.linalg.svd(a.T @ b)
    turned = u @ np.diag([1.0, np.linalg.det(u @ v)]) @ v
    return a @ turned + onto.mean(axis=0)


def test_rendered_table_over_the_whole_mat():
    solution, _ = rendered_table()
    mat = whole_mat()
    found = solution.device.pinhole.mat_from_px(true_px(mat))
    misses = np.hypot(*(aligned(found, mat) - mat).T)
    slopes = mat_by_parameters(solution.device.pinhole, found)
    u = np.sqrt(np.trace(slopes @ solution.device.covariance @ np.swapaxes(slopes, 1, 2), axis1=1, axis2=2))
    assert np.sqrt(np.mean(misses**2)) < 0.012
    assert misses.max() < 0.05
    # one solve has but a few degrees of freedom over the mat: three times is the 99.7 % of one of them
    assert np.sqrt(np.mean(misses**2)) < 3 * np.sqrt(np.mean(u**2))


def test_the_mat_frame_is_that_of_the_first_flat_sheet():
    solution, _ = rendered_table()
    pose = TRUTH["boards"]["board_flat_01.jpg"]
    # lower-left corner of the chessboard as printed: 180 mm down the page from OpenCV's origin
    corners = np.array([[0.0, 180.0, 0.0], [240.0, 180.0, 0.0], [0.0, 0.0, 0.0]])
    in_mat = corners @ np.array(pose["R_board_to_mat"]).T + np.array(pose["t_board_to_mat_mm"])
    assert in_mat[:, 2] == pytest.approx([0.1] * 3)
    ours = solution.device.pinhole.mat_from_px(true_px(in_mat[:, :2]))
    assert ours == pytest.approx(np.array([[0.0, 0.0], [240.0, 0.0], [0.0, 180.0]]), abs=0.02)


def test_the_lens_hangs_where_it_does():
    solution, _ = rendered_table()
    rotation, shift = np.array(TRUTH["camera"]["R_mat_to_cam"]), np.array(TRUTH["camera"]["t_mat_to_cam_mm"])
    height_u = 3 * np.sqrt(solution.device.covariance[14, 14])
    assert solution.device.pinhole.lens_mat_mm[2] == pytest.approx(-(rotation.T @ shift)[2], abs=height_u)


def test_every_view_has_its_line():
    solution, lines = rendered_table()
    assert len(lines) == 8
    assert lines[0].startswith("board_flat_01.jpg: flat, 35 corners, 0.0")
    assert not any(view.poor for view in solution.views)
    assert "0.1 mm thick" in solution.notes[0]


def test_a_real_lens_with_published_values():
    # samples/data/left_intrinsics.yml of the OpenCV project. u of the published values: OpenCV's own standard
    # deviations on these photographs (0.95 focal, 1.0 centre), ours in quadrature; three of them.
    views = photographs("left*.png", CHESSBOARD)
    solution, _ = camera_from_photographs(views[:1], views[1:], parse_board("chessboard:9x6:25mm"), 0.0)
    lens, u = solution.device.pinhole.lens, np.sqrt(np.diag(solution.device.covariance))
    assert len(solution.views) == 13
    assert np.abs(np.array(lens.focal_px) - 535.916).max() < 3 * np.hypot(0.95, u[:2].max())
    assert abs(lens.centre_px[0] - 342.283) < 3 * np.hypot(1.0, u[2])
    assert abs(lens.centre_px[1] - 235.571) < 3 * np.hypot(1.0, u[3])
    assert solution.device.residual_px < 0.409 / np.sqrt(2)  # OpenCV's, per point, on the same photographs


# --- synthetic views: the solve's own statements -----------------------------------------------------------

FLIP = np.diag([1.0, -1.0, -1.0])


def synthetic_camera() -> Pinhole:
    lens = Lens((1280, 720), (1180.0, 1176.0), (651.0, 349.0), (-0.08, 0.03, 4e-4, -3e-4, 0.01))
    rotation = turn(np.array([0.09, -0.05, 0.03])) @ FLIP
    return Pinhole(lens, rotation, -rotation @ np.array([110.0, 40.0, 900.0]))


def seen_sheet(name, camera, rotation, shift, noise_px, rng) -> SheetView:
    sheet = Board().corners_sheet_mm
    points = np.column_stack([sheet, np.zeros(len(sheet))]) @ rotation.T + shift
    px, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(camera.rotation)[0],
        camera.translation_mm,
        camera.lens.matrix,
        np.array(camera.lens.distortion),
    )
    px = px.reshape(-1, 2) + rng.normal(0, 1, (len(sheet), 2)) * noise_px
    return SheetView(name, np.arange(len(sheet)), sheet, px, np.full(len(sheet), 0.02))


def synthetic_views(rng, noise_px=0.02):
    camera = synthetic_camera()
    flat = [
        seen_sheet(f"f{i}", camera, turn(np.array([0, 0, a])), np.array([x, y, 0.1]), noise_px, rng)
        for i, (x, y, a) in enumerate([(0, 0, 0), (-240, -160, 0.1), (150, -170, -0.2), (180, 130, 3.0)])
    ]
    tilted = [
        seen_sheet(f"t{i}", camera, turn(np.array(w)), np.array([x, y, 60.0]), noise_px, rng)
        for i, (w, x, y) in enumerate(
            [((0.5, 0.1, 0.2), 0, 0), ((-0.1, 0.5, 0.4), -150, -50), ((-0.45, -0.2, 1.0), 120, -60)]
        )
    ]
    return flat, tilted


def test_without_noise_the_camera_is_found_again():
    flat, tilted = synthetic_views(np.random.default_rng(0), noise_px=0.0)
    found = solve_camera(flat, tilted, (1280, 720)).device.pinhole
    true = synthetic_camera()
    mat = np.random.default_rng(1).uniform((-200, -150), (400, 300), (50, 2))
    # priors on distortion and flatness pull, but less than a fifth of what corners of 0.02 px mean on the mat
    assert np.abs(found.mat_from_px(true.px_from_mat(mat)) - mat).max() < 0.003
    assert found.lens_mat_mm == pytest.approx(true.lens_mat_mm, abs=0.1)


def test_stated_covariance_is_the_spread_of_repeated_solves():
    """The mat points of a few pixels, over fresh noise: mean of z squared is 1, with 4 standard errors.

    The frame's own motion is taken out by the corners of the flat sheets, as the covariance says it is.
    """
    n = 60
    true, z2 = synthetic_camera(), []
    for seed in range(n):
        flat, tilted = synthetic_views(np.random.default_rng(100 + seed))
        solution = solve_camera(flat, tilted, (1280, 720))
        device = solution.device
        known = device.pinhole.mat_from_px(true.px_from_mat(solution.covered_mat_mm))
        test = np.array([[-100.0, -60.0], [330.0, 230.0], [250.0, -120.0]])
        found = device.pinhole.mat_from_px(true.px_from_mat(test))
        moved = rigid_motion(known, solution.covered_mat_mm)
        off = (found @ moved[0].T + moved[1] - test)[1]
        z2.append(off @ np.linalg.solve(device.u_mat_mm(test)[1], off))
    # two degrees of freedom: mean 2, variance 4
    assert abs(np.mean(z2) - 2) < 4 * np.sqrt(4 / n)


def rigid_motion(points, onto):
    a, b = points - points.mean(axis=0), onto - onto.mean(axis=0)
    u, _, v = np.linalg.svd(a.T @ b)
    rotation = (u @ v).T
    return rotation, onto.mean(axis=0) - rotation @ points.mean(axis=0)


def test_one_spoilt_view_is_named_and_left_out():
    flat, tilted = synthetic_views(np.random.default_rng(5))
    bent = tilted[1].corners_px + 1.5 * np.sin(tilted[1].corners_sheet_mm / 40)
    spoilt = SheetView("bent", tilted[1].ids, tilted[1].corners_sheet_mm, bent, tilted[1].corners_u_px)
    solution = solve_camera(flat, [tilted[0], spoilt, tilted[2]], (1280, 720))
    assert [(one.name, one.why) for one in solution.refused] == [("bent", "poor")]
    assert "bent" not in [view.name for view in solution.views]
    mat = np.array([[0.0, 0.0], [240.0, 180.0]])
    found = solution.device.pinhole.mat_from_px(synthetic_camera().px_from_mat(mat))
    assert np.linalg.norm(found[1] - found[0]) == pytest.approx(300.0, abs=0.1)


def test_views_that_do_not_determine_a_camera_are_refused_in_one_line():
    rng = np.random.default_rng(2)
    flat, tilted = synthetic_views(rng)
    camera = synthetic_camera()
    same = [seen_sheet(f"s{i}", camera, np.eye(3), np.array([0, 0, 0.1]), 0.02, rng) for i in range(5)]
    straight = Pinhole(camera.lens, FLIP, -FLIP @ np.array([110.0, 40.0, 900.0]))
    level = [
        seen_sheet(f"l{i}", straight, np.eye(3), np.array([x, 0, 0.1]), 0.02, rng)
        for i, x in enumerate((0, 70, -90, 140))
    ]
    for views, says in [
        (([], tilted), "no view of the sheet lying flat"),
        ((flat[:1], tilted[:1]), "seen in 2 pictures"),
        ((same, []), "in 1 place only"),
        ((level, []), "tilt"),
    ]:
        with pytest.raises(CalibrationError, match=says) as refusal:
            solve_camera(*views, (1280, 720))
        assert "\n" not in str(refusal.value)


def test_pictures_that_cannot_be_used_are_refused_in_one_line():
    bare = np.full((480, 640, 3), 90, np.uint8)
    for flat, tilted, says in [
        ([], [], "no pictures"),
        ([("a.jpg", bare), ("b.jpg", bare[:400])], [], "b.jpg is 640x400 and a.jpg is 640x480"),
        ([("a.jpg", bare)], [("b.jpg", bare)], "not seen in any of 2 pictures"),
    ]:
        with pytest.raises(CalibrationError, match=says) as refusal:
            camera_from_photographs(flat, tilted, Board())
        assert "\n" not in str(refusal.value)


def test_a_refused_picture_is_told():
    pictures = [*photographs("board_flat_*"), ("bare.jpg", np.full((1080, 1920, 3), 90, np.uint8))]
    _, lines = camera_from_photographs(pictures, photographs("board_tilt_*"), Board())
    assert lines[-1].startswith("bare.jpg: not used, hidden: 0 of 35 corners")
