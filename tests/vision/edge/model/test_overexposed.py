"""Cloth that is brighter than the camera can tell: its edges are where they are, within what is said of them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.exact import Piece, camera, everywhere, grey, picture
from tests.vision.test_measure import FLAT, bare_mat, parallelogram, side_errors_px
from vision.finding.mat import compare_with_mat, mat_picture
from vision.light import linear_image, mean_light
from vision.measure import measure_units
from vision.polygons import interior_angles

WHITE, TINTED = parallelogram(100, 100, 70, 50, 17), parallelogram(240, 110, 60, 60, 41)


def errors_px(light: float) -> np.ndarray:
    """(8, 2) of a white piece of that light and of a tinted one, in a picture exposed 1.5 times as long as the mat."""
    pieces = Piece(WHITE, grey(light)), Piece(TINTED, (0.7 * light, light, 0.9 * light))
    scene = compare_with_mat(linear_image(picture(*pieces, seed=9, exposure=1.5)), bare_mat(), everywhere())
    units = measure_units(scene, camera(), everywhere(), FLAT)
    return np.concatenate([side_errors_px(outline, units) for outline in (WHITE, TINTED)])


@pytest.mark.parametrize("light", [0.75, 0.9])
def test_edges_of_overexposed_cloth_do_not_lie_outward(light: float) -> None:
    """1.13 and 1.35 times what the camera can tell: it was 0.12 and 0.23 px, stated u 0.02."""
    errors = errors_px(light)
    assert np.abs(errors[:, 0]).max() < 0.08
    assert np.mean((errors[:, 0] / errors[:, 1]) ** 2) < 1.5


def test_what_is_exposed_rightly_is_left_alone() -> None:
    errors = errors_px(0.5)
    assert np.abs(errors[:, 0]).max() < 0.03
    assert np.all(errors[:, 1] < 0.025)


def test_beside_a_mat_too_bright_for_the_camera_nothing_is_judged() -> None:
    """Cloth as bright as that would not show: what is seen of a unit may be half of it. Its picture is at fault."""
    bare = mat_picture(mean_light([picture(seed=1000 + i, exposure=30.0) for i in range(2)]))
    pieces = Piece(WHITE, grey(0.01)), Piece(TINTED, grey(0.015))
    scene = compare_with_mat(linear_image(picture(*pieces, seed=9, exposure=30.0)), bare, everywhere())
    units = measure_units(scene, camera(), everywhere(), FLAT)
    assert [unit.trouble for unit in units] == ["overexposed"] * 2


@pytest.mark.parametrize("brighter", [1.1, 1.3])
def test_edges_beside_a_bright_mat_do_not_lie_inward(brighter: float) -> None:
    """Of the mat one channel tells: it was 0.17 and 0.39 px at worst, stated u 0.05, mean (error/u)² 11 and 41."""
    tint = np.ones((600, 900, 3), np.float32) * np.array([0.5, 1.0, 1.0], np.float32)
    exposure = brighter / 0.08
    bare = mat_picture(mean_light([picture(seed=1000 + i, exposure=exposure, left=tint) for i in range(8)]))
    pieces = Piece(WHITE, grey(0.02)), Piece(TINTED, grey(0.03))
    scene = compare_with_mat(linear_image(picture(*pieces, seed=9, exposure=exposure, left=tint)), bare, everywhere())
    units = measure_units(scene, camera(), everywhere(), FLAT)
    errors = np.concatenate([side_errors_px(outline, units) for outline in (WHITE, TINTED)])
    assert np.abs(errors[:, 0]).max() < 0.25
    assert np.mean((errors[:, 0] / errors[:, 1]) ** 2) < 4.0


def test_a_side_of_which_a_part_is_too_bright_is_not_turned_by_it() -> None:
    """Light falls to a half over the picture, so that white cloth is too bright at its one end; u of angles says so."""
    left = np.broadcast_to(np.linspace(1.0, 0.5, 900, dtype=np.float32), (600, 900))
    bare = mat_picture(mean_light([picture(seed=1000 + i, left=left) for i in range(8)]))
    outlines = parallelogram(70, 130, 60, 100, 12), parallelogram(190, 130, 60, 100, 75)
    pieces = [Piece(outline, grey(0.8)) for outline in outlines]
    scene = compare_with_mat(linear_image(picture(*pieces, seed=9, exposure=1.9, left=left)), bare, everywhere())
    units = measure_units(scene, camera(), everywhere(), FLAT)
    assert len(units) == 2
    squares = []
    for unit in units:
        true = min(outlines, key=lambda one: float(np.hypot(*(one.mean(axis=0) - unit.corners_mat_mm.mean(axis=0)))))
        first = int(np.argmin(np.hypot(*(true - unit.corners_mat_mm[0]).T)))
        off = interior_angles(unit.corners_mat_mm) - np.roll(interior_angles(true), -first)
        squares += list((off / unit.angles_u_rad) ** 2)
    assert np.mean(squares) < 2.0
