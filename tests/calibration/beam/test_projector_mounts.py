"""Projectors however they hang: turned, shifted, tilted, wide. Truth by OpenCV's projection."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.beam.mesh import Mesh
from calibration.beam.projector import Raised, TapedHeight, solve_projector
from calibration.lens.camera import CalibrationError
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, moved, turn
from calibration.rig import Device
from tests.calibration.beam.test_projector import CAMERA, FLIP, light, mat_grid

MIDDLE = np.array([457.0, 305.0])


def mount(*, size=(1920, 1080), throw=1.45, up=0.0, aside=0.0, turned_deg=0.0, tilt_deg=0.0, k1=0.01, height=1700.0):
    """A projector whose picture's middle falls on the mat's middle, whatever its lens shift and tilt."""
    w, h = size
    centre = ((w - 1) / 2 + aside * w, (h - 1) / 2 + up * h)
    lens = Lens(size, (throw * w, throw * w), centre, (k1, -0.005, 2e-4, -1e-4, 0.0))
    rotation = turn(np.array([0, 0, np.radians(turned_deg)])) @ turn(np.array([np.radians(tilt_deg), 0.03, 0])) @ FLIP
    ray = np.append(lens.rays_from_px(np.array([[(w - 1) / 2, (h - 1) / 2]]))[0], 1.0) @ rotation
    foot = MIDDLE - ray[:2] * (-height / ray[2])
    return Pinhole(lens, rotation, -rotation @ np.array([*foot, height]))


def camera_turned(quarters: int) -> Pinhole:
    """The camera of the other tests, turned about its own axis; its picture follows."""
    rotation = turn(np.array([0.0, 0.0, quarters * np.pi / 2])) @ CAMERA.rotation
    size = (1920, 1080) if quarters % 2 == 0 else (1080, 1920)
    lens = Lens(size, (2200.0, 2200.0), ((size[0] - 1) / 2 + 5, (size[1] - 1) / 2 - 3), CAMERA.lens.distortion)
    return Pinhole(lens, rotation, -rotation @ CAMERA.lens_mat_mm)


def read(projector, camera=CAMERA, height_mm=0.0, noise_px=0.02, seed=1):
    w, h = camera.lens.size_px
    x, y = np.meshgrid(np.linspace(30, w - 31, 30), np.linspace(30, h - 31, 18))
    camera_px = np.column_stack([x.ravel(), y.ravel()])
    px = light(camera.mat_from_px(camera_px, height_mm), projector, height_mm)
    lit = np.all((px > 0) & (px < np.array(projector.lens.size_px) - 1), axis=1)
    px = px + noise_px * np.random.default_rng(seed).normal(size=px.shape)
    return Mesh(camera_px[lit], px[lit], np.full((lit.sum(), 2), noise_px))


def exact(camera: Pinhole) -> Device:
    return Device(camera, np.zeros((PARAMETERS, PARAMETERS)), 0.0)


def off_mm(device, projector, height_mm=0.0):
    grid = mat_grid()
    px = device.pinhole.px_from_mat(grid, height_mm)
    lit = np.all((px > 0) & (px < np.array(projector.lens.size_px) - 1), axis=1)
    return projector.mat_from_px(px[lit], height_mm) - grid[lit], grid[lit]


MOUNTS = {
    "plain": {},
    "upside down": {"turned_deg": 180.0},
    "sideways": {"turned_deg": 90.0, "throw": 1.0},
    "other side": {"turned_deg": -90.0, "size": (1280, 800)},
    "shifted by 1.1 heights": {"up": 1.1},
    "shifted by -1.1 heights": {"up": -1.1, "turned_deg": 180.0},
    "shifted to the side": {"aside": 0.25},
    "both shifts": {"up": 0.6, "aside": -0.2},
    "keystone of 30 degrees": {"tilt_deg": 30.0},
    "keystone sideways": {"tilt_deg": -30.0, "turned_deg": 90.0},
    "short throw": {"throw": 0.6, "k1": -0.06, "height": 800.0},
    "854x480": {"size": (854, 480)},
    "4K": {"size": (3840, 2160), "throw": 2.0},
}


@pytest.mark.parametrize("name", MOUNTS)
@pytest.mark.parametrize("taped", [False, True])
def test_however_it_hangs_light_lands_where_it_is_aimed(name, taped):
    projector = mount(**MOUNTS[name])
    height = TapedHeight(projector.lens_mat_mm[2] + 6.0, 8.0) if taped else None
    device = solve_projector(read(projector), projector.lens.size_px, exact(CAMERA), height).device
    off, grid = off_mm(device, projector)
    assert len(grid) > 50
    assert np.hypot(*off.T).max() < 0.08
    off, grid = off_mm(device, projector, 1.0)
    u = np.sqrt(np.trace(device.u_mat_mm(grid, 1.0), axis1=1, axis2=2))
    assert np.all(np.hypot(*off.T) < 4 * u + 0.02)  # and at the height of thick cloth within what is stated


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_the_camera_may_be_turned(quarters):
    camera = camera_turned(quarters)
    projector = mount()
    device = solve_projector(read(projector, camera), (1920, 1080), exact(camera)).device
    assert np.hypot(*off_mm(device, projector)[0].T).max() < 0.03


def test_a_second_plane_tells_the_height():
    projector = mount()
    raised = Raised(read(projector, height_mm=60.0, seed=2), 60.0, 0.5)
    alone = solve_projector(read(projector), (1920, 1080), exact(CAMERA)).device
    solution = solve_projector(read(projector), (1920, 1080), exact(CAMERA), raised=raised)
    true = projector.lens_mat_mm[2]
    assert abs(solution.device.pinhole.lens_mat_mm[2] - true) < 50.0
    assert abs(solution.device.pinhole.lens_mat_mm[2] - true) < 0.5 * abs(alone.pinhole.lens_mat_mm[2] - true)
    assert np.hypot(*off_mm(solution.device, projector, 3.0)[0].T).max() < 0.03
    assert "60 mm above the mat" in solution.notes[0]


def test_a_wrong_height_of_the_second_plane_stays_within_what_is_stated():
    z2 = []
    for seed in range(6):
        projector = mount(up=0.5)
        wrong = float(np.random.default_rng(seed).normal(0.0, 0.5))
        seen = read(projector, height_mm=60.0 + wrong, seed=100 + seed)
        raised = Raised(seen, 60.0, 0.5)
        device = solve_projector(read(projector, seed=seed), (1920, 1080), exact(CAMERA), raised=raised).device
        off, grid = off_mm(device, projector, 20.0)
        z2.append(off[0] @ np.linalg.solve(device.u_mat_mm(grid, 20.0)[0], off[0]) / 2)
    assert 0.2 < np.mean(z2) < 1 + 4 / np.sqrt(6)  # 1 expected, SD 1 each


def test_stated_uncertainty_is_true_over_many_rigs():
    """Mean of e'C^-1 e / 2 per point; the camera is off by a draw of its own covariance, which is carried."""
    root = np.diag([1.0, 1.0, 0.5, 0.5, 1e-3, 2e-3, 1e-5, 1e-5, 1e-3, 1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.2])
    rigs, z2 = 8, []
    for seed in range(rigs):
        rng = np.random.default_rng(900 + seed)
        projector = mount(
            up=rng.uniform(-0.6, 0.6),
            turned_deg=rng.uniform(-3, 3),
            tilt_deg=rng.uniform(-5, 5),
            k1=rng.normal(0, 0.03),
        )
        camera = Device(moved(CAMERA, root @ rng.normal(size=PARAMETERS)), root @ root.T, 0.0)
        device = solve_projector(read(projector, seed=seed), (1920, 1080), camera).device
        off, grid = off_mm(device, projector)
        covariance = device.u_mat_mm(grid)
        z2.append(np.einsum("ni,ni->n", off, np.linalg.solve(covariance, off[..., None])[..., 0]).mean() / 2)
    # a rig's mean has some six independent parts of mean 1, SD 1; the full count: tests.measure.calibration
    assert abs(np.mean(z2) - 1) < 4 / np.sqrt(6 * rigs)


def test_a_mirrored_picture_is_named_however_it_hangs():
    for mounting in ({}, {"turned_deg": 90.0}, {"turned_deg": 180.0}):
        projector = mount(**mounting)
        seen = read(projector)
        mirrored = Mesh(seen.camera_px, [projector.lens.size_px[0] - 1, 0] + seen.projector_px * [-1, 1], seen.u_px)
        with pytest.raises(CalibrationError, match="mirrored"):
            solve_projector(mirrored, projector.lens.size_px, exact(CAMERA))
