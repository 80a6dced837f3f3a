"""The pinhole and its slopes against OpenCV, published numbers and small differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, mat_by_parameters, moved, project, turn, turn_slope

# samples/data/left_intrinsics.yml of the OpenCV project (Apache-2.0)
SAMPLE = Lens(
    (640, 480),
    (535.915733961632, 535.915733961632),
    (342.283154733084, 235.570829097882),
    (-0.266372609096607, -0.0385888989223047, 0.0017831947042853, -0.000281221004411155, 0.238391530808785),
)

# Z. Zhang, MSR-TR-98-71; the published result, as given in github.com/imagingbook/imagingbook-calibrate
ZHANG = Lens((640, 480), (832.5, 832.53), (303.959, 206.585), (-0.228601, 0.190353, 0.0, 0.0, 0.0))
ZHANG_SKEW = 0.204494


def overhead() -> Pinhole:
    """A camera that looks down on a mat, uneven in every number."""
    flip = np.diag([1.0, -1.0, -1.0])
    rotation = turn(np.array([0.11, -0.07, 0.05])) @ flip
    lens = Lens((1920, 1080), (1501.0, 1497.0), (963.0, 531.0), (-0.12, 0.05, 7e-4, -5e-4, 0.02))
    return Pinhole(lens, rotation, -rotation @ np.array([400.0, 250.0, 1100.0]))


@pytest.mark.parametrize(
    ("ray", "px"),
    [  # OpenCV's projectPoints and the formula worked by hand agree on these to 1e-9
        ((0.1, 0.05), (395.700647, 262.292463)),
        ((-0.2, 0.15), (236.815527, 314.724213)),
        ((0.3, -0.2), (497.308455, 132.331800)),
    ],
)
def test_published_sample_camera(ray, px):
    assert SAMPLE.px_from_rays(np.array(ray)) == pytest.approx(px, abs=5e-7)


def test_published_zhang_camera():
    # CameraTest.java of imagingbook-calibrate: (40, 70, 800) is seen there; skew added by hand
    distorted = ZHANG.distort(np.array([40.0, 70.0]) / 800.0)
    px = distorted * ZHANG.focal_px + ZHANG.centre_px + [ZHANG_SKEW * distorted[1], 0.0]
    assert px == pytest.approx((345.5060, 279.2637), abs=6e-5)
    # and the radius 0.95 comes out as 0.901295
    assert ZHANG.distort(np.array([0.95, 0.0]))[0] == pytest.approx(0.901295, abs=6e-7)


def test_agrees_with_opencv():
    camera, rng = overhead(), np.random.default_rng(3)
    points = rng.uniform((0, 0, -5), (900, 600, 40), (200, 3))
    rotation_vector = cv2.Rodrigues(camera.rotation)[0]
    theirs, _ = cv2.projectPoints(
        points, rotation_vector, camera.translation_mm, camera.lens.matrix, np.array(camera.lens.distortion)
    )
    assert np.abs(project(camera, points).px - theirs.reshape(-1, 2)).max() < 1e-9
    for point, px in zip(points[:20], theirs.reshape(-1, 2)[:20], strict=True):
        assert camera.px_from_mat(point[:2], point[2]) == pytest.approx(px, abs=1e-9)


def test_mat_and_back():
    camera, rng = overhead(), np.random.default_rng(4)
    points = rng.uniform((0, 0), (900, 600), (300, 2))
    for height_mm in (0.0, 0.4, 25.0):
        back = camera.mat_from_px(camera.px_from_mat(points, height_mm), height_mm)
        assert np.abs(back - points).max() < 1e-8


@given(
    st.floats(-0.3, 0.1),
    st.floats(-0.05, 0.2),
    st.floats(-0.002, 0.002),
    st.floats(-0.002, 0.002),
    st.floats(-0.05, 0.1),
    st.floats(0.0, 0.6),
    st.floats(-np.pi, np.pi),
)
def test_undistort_inverts_distort(k1, k2, p1, p2, k3, radius, angle):
    lens = Lens((100, 80), (100.0, 100.0), (50.0, 40.0), (k1, k2, p1, p2, k3))
    ray = radius * np.array([np.cos(angle), np.sin(angle)])
    assert np.abs(lens.undistort(lens.distort(ray)) - ray).max() < 1e-10


def test_slopes_are_those_of_small_steps():
    camera, rng = overhead(), np.random.default_rng(5)
    points = rng.uniform((0, 0, 0), (900, 600, 20), (40, 3))
    slopes = project(camera, points)
    for i in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[i] = 1e-6
        seen = (project(moved(camera, step), points).px - project(moved(camera, -step), points).px) / 2e-6
        assert seen == pytest.approx(slopes.by_parameters[:, :, i], rel=1e-5, abs=1e-5)
    for i in range(3):
        step = np.zeros(3)
        step[i] = 1e-4
        seen = (project(camera, points + step).px - project(camera, points - step).px) / 2e-4
        assert seen == pytest.approx(slopes.by_point[:, :, i], rel=1e-6, abs=1e-6)


def test_mat_points_move_as_told():
    camera, rng = overhead(), np.random.default_rng(6)
    points = rng.uniform((0, 0), (900, 600), (40, 2))
    px = camera.px_from_mat(points, 3.0)
    step = 1e-5 * rng.normal(size=PARAMETERS)
    seen = moved(camera, step).mat_from_px(px, 3.0) - points
    told = mat_by_parameters(camera, points, 3.0) @ step
    assert np.abs(seen - told).max() < 1e-3 * np.abs(told).max()


@given(st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3))
def test_turn_is_rodrigues(vector):
    assert np.abs(turn(np.array(vector)) - cv2.Rodrigues(np.array(vector))[0]).max() < 1e-12


@given(st.lists(st.floats(-2.0, 2.0), min_size=3, max_size=3))
def test_turn_slope(vector):
    base, step = np.array(vector), 1e-6 * np.array([0.3, -0.5, 0.8])
    after = turn(base + step) @ turn(base).T
    seen = np.array([after[2, 1] - after[1, 2], after[0, 2] - after[2, 0], after[1, 0] - after[0, 1]]) / 2
    assert np.abs(seen - turn_slope(base) @ step).max() < 1e-11
