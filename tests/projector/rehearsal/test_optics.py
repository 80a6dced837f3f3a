"""The virtual table's own lens against a general-purpose reference library, and against plain geometry."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from projector.rehearsal.optics import Optics, looking_at, turn_about
from projector.rehearsal.setting import MAT_CORNERS_MM, MAT_MM, setting_of

FULL_LENS = (-0.11, 0.04, 4e-4, -3e-4, -0.01)


def slanted() -> Optics:
    at = np.array([420.0, 210.0, 1380.0])
    axes = looking_at(at, np.array([470.0, 300.0, 0.0]), 0.02)
    return Optics((1920, 1080), (2210.0, 2214.0), (952.0, 547.0), FULL_LENS, axes, at)


def test_world_points_land_where_opencv_puts_them() -> None:
    """Reference: cv2.projectPoints (OpenCV's camera model, "Camera Calibration and 3D Reconstruction")."""
    lens = slanted()
    points = np.random.default_rng(1).uniform([0, 0, -5], [*MAT_MM, 80], (500, 3))
    turn, _ = cv2.Rodrigues(lens.axes)
    matrix = np.array([[2210.0, 0, 952.0], [0, 2214.0, 547.0], [0, 0, 1.0]])
    expected, _ = cv2.projectPoints(points, turn, -lens.axes @ lens.at_mm, matrix, np.array(FULL_LENS))
    assert np.abs(lens.px_from_world(points) - expected[:, 0]).max() < 1e-9


@pytest.mark.parametrize("height_mm", [0.0, 0.4, 30.0])
def test_a_pixel_looks_back_at_the_point_it_shows(height_mm: float) -> None:
    lens = slanted()
    points = np.random.default_rng(2).uniform([0, 0], MAT_MM, (500, 2))
    assert np.abs(lens.level_from_px(lens.px_from_level(points, height_mm), height_mm) - points).max() < 1e-9


def test_what_lies_high_is_seen_away_from_the_foot_of_the_lens() -> None:
    """Similar triangles: at height h a point looks r h / (H - h) further from the foot of a lens at H."""
    lens, height = slanted(), 1.0
    points = MAT_CORNERS_MM
    away = (points - lens.at_mm[:2]) * height / (lens.at_mm[2] - height)
    assert lens.px_from_level(points, height) == pytest.approx(lens.px_from_level(points + away, 0.0), abs=1e-9)


def test_a_device_stands_upright_for_the_person() -> None:
    """To the right on the mat is to the right in the picture; away from the person is up."""
    lens = replace(slanted(), brown=(0.0, 0.0, 0.0, 0.0, 0.0))
    origin, right, away = lens.px_from_level(np.array([[400.0, 300.0], [500.0, 300.0], [400.0, 400.0]]), 0.0)
    assert right[0] - origin[0] > 10 * abs(right[1] - origin[1])
    assert origin[1] - away[1] > 10 * abs(away[0] - origin[0])
    assert np.linalg.det(lens.axes) == pytest.approx(1.0)


def test_a_quarter_turn_about_z_takes_x_to_y() -> None:
    assert turn_about(np.array([0.0, 0.0, 2.0]), np.pi / 2) @ [1.0, 0.0, 0.0] == pytest.approx([0.0, 1.0, 0.0])


@pytest.mark.parametrize("seed", range(20))
def test_every_table_sees_and_lights_its_whole_mat(seed: int) -> None:
    setting = setting_of(seed)
    assert setting.camera.holds(MAT_CORNERS_MM, 0.0, 10.0)
    assert setting.projector.holds(MAT_CORNERS_MM, 0.0, 10.0)
    assert 1300 < setting.camera.at_mm[2] < 1500
