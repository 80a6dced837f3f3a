"""The projector from synthetic correspondences, made with OpenCV's projection."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.beam.mesh import Mesh
from calibration.beam.projector import TapedHeight, solve_projector
from calibration.lens.camera import CalibrationError
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, moved, turn
from calibration.rig import Device

FLIP = np.diag([1.0, -1.0, -1.0])
SIZE = (1920, 1080)


def hung(at_mm, turned, lens) -> Pinhole:
    rotation = turn(np.array(turned)) @ FLIP
    return Pinhole(lens, rotation, -rotation @ np.array(at_mm))


CAMERA = hung(
    (430.0, 180.0, 1350.0), (0.09, 0.02, 0.01), Lens(SIZE, (2350.0, 2348.0), (961.0, 537.0), (-0.11, 0.03, 0, 0, 0))
)
LENS = Lens(SIZE, (2900.0, 2901.0), (955.0, 1100.0), (0.012, -0.01, 2e-4, -1e-4, 0.0))
PROJECTOR = hung((430.0, -60.0, 1900.0), (0.05, -0.03, 0.04), LENS)


def light(points_mat_mm, projector, height_mm=0.0):
    points = np.column_stack([points_mat_mm, np.full(len(points_mat_mm), height_mm)])
    px, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(projector.rotation)[0],
        projector.translation_mm,
        projector.lens.matrix,
        np.array(projector.lens.distortion),
    )
    return px.reshape(-1, 2)


def correspondences(rng, noise_px=0.03, projector=PROJECTOR, camera=CAMERA):
    x, y = np.meshgrid(np.linspace(40, 1880, 28), np.linspace(40, 1040, 16))
    camera_px = np.column_stack([x.ravel(), y.ravel()])
    projector_px = light(camera.mat_from_px(camera_px), projector)
    projector_px = projector_px + noise_px * rng.normal(size=projector_px.shape)
    return Mesh(camera_px, projector_px, np.full(projector_px.shape, 0.03))


def exact_camera() -> Device:
    return Device(CAMERA, np.zeros((PARAMETERS, PARAMETERS)), 0.0)


def mat_grid():
    x, y = np.meshgrid(np.linspace(20, 880, 12), np.linspace(20, 580, 9))
    return np.column_stack([x.ravel(), y.ravel()])


@pytest.mark.parametrize("height", [None, TapedHeight(1895.0, 10.0)])
def test_light_lands_where_it_is_aimed(height):
    solution = solve_projector(correspondences(np.random.default_rng(1)), SIZE, exact_camera(), height)
    grid = mat_grid()
    landed = PROJECTOR.mat_from_px(solution.device.pinhole.px_from_mat(grid))
    assert np.sqrt(np.mean(np.sum((landed - grid) ** 2, axis=1))) < 0.01  # 0.03 px of 0.65 mm, 448 of them
    assert solution.device.residual_px == pytest.approx(0.03, rel=0.15)


def test_on_thick_cloth_light_lands_within_what_is_stated():
    grid = mat_grid()
    for height in (None, TapedHeight(1895.0, 10.0)):
        device = solve_projector(correspondences(np.random.default_rng(2)), SIZE, exact_camera(), height).device
        landed = PROJECTOR.mat_from_px(device.pinhole.px_from_mat(grid, 1.0), 1.0)
        u = np.sqrt(np.trace(device.u_mat_mm(grid, 1.0), axis1=1, axis2=2))
        assert np.hypot(*(landed - grid).T).max() < 3 * u.max()
        assert u.max() < (0.3 if height is None else 0.05)


def test_a_taped_height_is_used_and_told():
    solution = solve_projector(
        correspondences(np.random.default_rng(3)), SIZE, exact_camera(), TapedHeight(1905.0, 5.0)
    )
    assert solution.device.pinhole.lens_mat_mm[2] == pytest.approx(1905.0, abs=10.0)
    assert "taped as 1905 mm" in solution.notes[0]


def test_wrong_places_do_not_pull():
    rng = np.random.default_rng(4)
    seen = correspondences(rng)
    px = seen.projector_px.copy()
    wrong = rng.choice(len(px), 25, replace=False)
    px[wrong] += rng.uniform(-32, 32, (25, 2))  # a period off
    device = solve_projector(Mesh(seen.camera_px, px, seen.u_px), SIZE, exact_camera()).device
    grid = mat_grid()
    landed = PROJECTOR.mat_from_px(device.pinhole.px_from_mat(grid))
    assert np.hypot(*(landed - grid).T).max() < 0.05


def test_a_picture_turned_upside_down_is_as_good():
    upside_down = Pinhole(LENS, turn(np.array([0.0, 0.0, np.pi])) @ PROJECTOR.rotation, np.zeros(3))
    shift = -upside_down.rotation @ np.array([430.0, 640.0, 1900.0])
    upside_down = Pinhole(LENS, upside_down.rotation, shift)
    seen = correspondences(np.random.default_rng(5), projector=upside_down)
    device = solve_projector(seen, SIZE, exact_camera()).device
    grid = mat_grid()
    assert np.hypot(*(upside_down.mat_from_px(device.pinhole.px_from_mat(grid)) - grid).T).max() < 0.03


def test_stated_uncertainty_is_the_spread_of_repeated_solves():
    n, grid, z2 = 14, np.array([[100.0, 80.0], [800.0, 500.0]]), []
    for seed in range(n):
        seen = correspondences(np.random.default_rng(200 + seed))
        device = solve_projector(seen, SIZE, exact_camera(), TapedHeight(1900.0, 10.0)).device
        off = PROJECTOR.mat_from_px(device.pinhole.px_from_mat(grid)) - grid
        z2.append(off[1] @ np.linalg.solve(device.u_mat_mm(grid)[1], off[1]))
    # mean 2 and variance 4 for two degrees of freedom; the priors are not drawn anew, so less is possible
    assert 2 - 4 * np.sqrt(4 / n) < np.mean(z2) < 2 + 4 * np.sqrt(4 / n)


def test_the_cameras_errors_are_carried_over():
    """A camera that is off by a draw of its covariance sends the projector off as stated."""
    rng, grid = np.random.default_rng(6), np.array([[100.0, 80.0], [800.0, 500.0]])
    root = np.diag([1.0, 1.0, 0.5, 0.5, 1e-3, 2e-3, 1e-5, 1e-5, 1e-3, 1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.2])
    seen = correspondences(rng, noise_px=0.0)
    n, z2 = 12, []
    for _ in range(n):
        camera = Device(moved(CAMERA, root @ rng.normal(size=PARAMETERS)), root @ root.T, 0.0)
        device = solve_projector(seen, SIZE, camera, TapedHeight(1900.0, 10.0)).device
        off = PROJECTOR.mat_from_px(device.pinhole.px_from_mat(grid)) - grid
        z2.append(off[1] @ np.linalg.solve(device.u_mat_mm(grid)[1], off[1]))
    assert abs(np.mean(z2) - 2) < 4 * np.sqrt(4 / n)


def test_light_on_a_table_below_the_mat_is_left_out():
    """The camera sees beyond the mat on each side, where the table lies 2 mm lower; sheets lay well inside."""
    rim = np.array([[-40.0, -170.0], [880.0, 280.0]])
    sheets = np.array([[60.0, -110.0], [780.0, -110.0], [780.0, 230.0], [60.0, 230.0]])
    seen = correspondences(np.random.default_rng(8))
    at = CAMERA.mat_from_px(seen.camera_px)
    on_mat = np.all((at > rim[0]) & (at < rim[1]), axis=1)
    table = light(CAMERA.mat_from_px(seen.camera_px, -2.0), PROJECTOR, -2.0)
    both = Mesh(seen.camera_px, np.where(on_mat[:, None], seen.projector_px, table), seen.u_px)
    x, y = np.meshgrid(np.linspace(*rim[:, 0], 9), np.linspace(*rim[:, 1], 7))
    grid = np.column_stack([x.ravel(), y.ravel()])

    def worst_mm(**told):
        device = solve_projector(both, SIZE, exact_camera(), **told).device
        return np.hypot(*(PROJECTOR.mat_from_px(device.pinhole.px_from_mat(grid)) - grid).T).max()

    assert worst_mm(sheets_mat_mm=sheets) < 0.03
    assert worst_mm() > 0.1
    whole = solve_projector(seen, SIZE, exact_camera(), sheets_mat_mm=sheets)  # where the table is as high as the mat
    assert len(whole.covered_mat_mm) > 0.95 * len(seen.camera_px)


def test_light_that_no_lens_throws_speaks_of_the_cameras_error():
    root = np.diag([1.0, 1.0, 0.5, 0.5, 4e-3, 8e-3, 1e-5, 1e-5, 4e-3, 1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.2])
    grid, before, after = mat_grid(), [], []
    for seed in range(6):
        rng = np.random.default_rng(600 + seed)
        camera = Device(moved(CAMERA, root @ rng.normal(size=PARAMETERS)), root @ root.T, 0.0)
        heard = solve_projector(correspondences(rng), SIZE, camera).camera
        for device, off in ((camera, before), (heard, after)):
            off.append(np.mean((device.pinhole.mat_from_px(CAMERA.px_from_mat(grid)) - grid) ** 2))
        assert np.all(np.diag(heard.covariance) <= 1.05 * np.diag(camera.covariance))
    assert np.mean(after) < np.mean(before)


def test_what_cannot_be_solved_is_refused_in_one_line():
    seen = correspondences(np.random.default_rng(7))
    few = Mesh(seen.camera_px[:40], seen.projector_px[:40], seen.u_px[:40])
    mirrored = Mesh(seen.camera_px, [SIZE[0] - 1, 0] + seen.projector_px * [-1, 1], seen.u_px)
    for what, says in [(few, "in 40 places"), (mirrored, "mirrored")]:
        with pytest.raises(CalibrationError, match=says) as refusal:
            solve_projector(what, SIZE, exact_camera())
        assert "\n" not in str(refusal.value)
