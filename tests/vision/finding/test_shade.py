"""Shadows of an arm or a box over the mat: no pieces, and sides that they fall across stay where they are.

Drawn frames: the shadow is a soft mask on linear light, before the noise.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
import shapely

from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, grey, picture, px_of_mm
from tests.vision.exact_cloth import Print
from tests.vision.exact_scenes import LIGHT_MAT, SMALL_VIEW, Condition, shot
from vision.finding.mat import MatPicture, Scene, compare_with_mat, mat_picture
from vision.finding.regions import find_regions
from vision.light import linear_image, mean_light
from vision.measure import Cloth, measure_units
from vision.polygons import outward_normals, sides_of

ARM_PX = np.array([[370, -5], [530, -5], [490, 330], [450, 420], [400, 330]])
BOX_PX = np.array([[330, 200], [520, 230], [490, 380], [300, 350]])
SQUARE = np.array([[150.0, 60.0], [230.0, 60.0], [230.0, 130.0], [150.0, 130.0]])  # the arm falls across its far side
HARD_PX, SOFT_PX = 1.0, 8.0


@cache
def bare_mat() -> MatPicture:
    return mat_picture(mean_light([picture(seed=2000 + i) for i in range(8)]))


def left(outline_px, depth, soft_px, tint=(1.0, 1.0, 1.0)):
    """(600, 900, 3): what a shadow leaves of the light, blue green red."""
    mask = np.zeros((600, 900), np.float32)
    cv2.fillPoly(mask, [outline_px], 1.0)
    return 1.0 - depth * cv2.GaussianBlur(mask, (0, 0), soft_px)[..., None] * np.array(tint, np.float32)


def scene(*pieces: Piece, seed: int = 1, shade=None) -> Scene:
    return compare_with_mat(linear_image(picture(*pieces, seed=seed, left=shade)), bare_mat(), everywhere())


@pytest.mark.parametrize(
    ("outline_px", "depth", "soft_px", "tint"),
    [
        (ARM_PX, 0.2, HARD_PX, (1.0, 1.0, 1.0)),
        (ARM_PX, 0.6, HARD_PX, (1.0, 1.0, 1.0)),
        (ARM_PX, 0.4, SOFT_PX, (1.0, 1.0, 1.0)),
        (BOX_PX, 0.2, SOFT_PX, (1.0, 1.0, 1.0)),
        (BOX_PX, 0.4, HARD_PX, (0.8, 0.9, 1.0)),  # a warm lamp's, a cooler light being left
        (BOX_PX, 0.6, SOFT_PX, (1.0, 1.0, 1.0)),
    ],
)
def test_a_shadow_is_no_piece(outline_px, depth, soft_px, tint):
    assert find_regions(scene(shade=left(outline_px, depth, soft_px, tint)), everywhere(), 400.0) == []


@pytest.mark.parametrize("light", [0.05, 0.03, 0.012, 0.004])
def test_dark_cloth_of_the_mats_hue_is_no_shadow(light):
    (one,) = find_regions(scene(Piece(SQUARE, grey(light))), everywhere(), 400.0)
    assert one.area_px == pytest.approx(80.0 * 70.0 / MM_PER_PX**2, rel=0.04)


@pytest.mark.parametrize(
    ("light", "depth", "soft_px"), [(0.6, 0.4, SOFT_PX), (0.3, 0.6, HARD_PX), (0.03, 0.4, HARD_PX)]
)
def test_a_shadow_across_a_side_does_not_move_it(light, depth, soft_px):
    now = scene(Piece(SQUARE, grey(light)), shade=left(ARM_PX, depth, soft_px))
    (unit,) = measure_units(now, camera(), everywhere(), Cloth(0.0, 0.0))
    assert unit.trouble is None
    roll = min(range(4), key=lambda k: float(np.abs(np.roll(unit.corners_mat_mm, k, axis=0) - SQUARE).max()))
    found, u_px = np.roll(unit.corners_mat_mm, roll, axis=0), np.roll(unit.offsets_u_mm, roll) / MM_PER_PX
    normals = outward_normals(SQUARE)
    starts = np.sum((found - SQUARE) * normals, axis=1)
    ends = np.sum((found + sides_of(found) - SQUARE) * normals, axis=1)
    off_px = (starts + ends) / 2.0 / MM_PER_PX  # 0.37 and 0.3 with one gain of the mat for the whole side
    assert np.all(np.abs(off_px) < 3.0 * u_px)
    assert np.abs(off_px).max() < 0.08


def test_cloth_near_the_mat_is_not_lost_in_a_shadow():
    square_px = shapely.Polygon(px_of_mm(SQUARE))
    found = find_regions(scene(Piece(SQUARE, grey(0.11)), shade=left(ARM_PX, 0.4, HARD_PX)), everywhere(), 400.0)
    mask = np.zeros((600, 900), bool)
    for one in found:
        x, y, width, height = one.box_px
        mask[y : y + height, x : x + width] |= one.mask
    inside = np.zeros((600, 900), np.uint8)
    cv2.fillPoly(inside, [np.rint(np.array(square_px.exterior.coords)).astype(np.int32)], 1)
    # In the shadow it has the mat's contrast in it: 0.066 on 0.048.
    assert np.count_nonzero(mask & (inside > 0)) > 0.95 * square_px.area


@pytest.mark.parametrize("seed", [0, 1])
def test_a_weak_print_about_the_mats_light_is_no_shadow(seed):
    """Stripes darker and lighter than the mat by 0.03: whole pieces had vanished, or fallen apart into 14."""
    figures = ((0.426, 0.422, 0.492), (0.416, 0.428, 0.438), (0.495, 0.467, 0.432))
    stripes = Print("stripes", (0.429, 0.481, 0.441), figures, pitch_mm=8.0)
    one = shot(Condition(lambda random, mat: stripes, mat=LIGHT_MAT, units=4, exposure=1.08), seed, SMALL_VIEW)
    on_mat = np.ones(one.linear.shape[:2], bool)
    found = find_regions(compare_with_mat(one.linear, mat_picture(one.bare), on_mat), on_mat, 400.0)
    assert len(found) == len(one.units)
