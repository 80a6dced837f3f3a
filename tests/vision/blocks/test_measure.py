"""A block's outer corners and the tips of its star, on generated frames whose every tip is known by construction.

Two hand-checkable sources beside the drawing: opposite tips of a star of radius r are 2 r apart, and neighbouring
ones 2 r sin(pi / n) (chord of a circle).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.exact import SENSOR, VIEW, camera, everywhere
from tests.vision.exact_cloth import Bgr, Cloth, Mat, Print, light_on_pixels
from tests.vision.exact_cover import Picture, Sensor, encode
from vision.blocks.measure import MeasuredBlock, measure_block
from vision.comparing.expected import ExpectedStar
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.light import linear_image, mean_light
from vision.measure import Cloth as ClothHeight
from vision.measure import measure_units

Floats = NDArray[np.float64]
Fabrics = tuple[Bgr | Print, ...]

FLAT = ClothHeight(0.0, 0.0)  # drawn cloth has no thickness
SIDE_MM, MIDDLE_MM = 170.0, np.array([183.0, 116.0])
RED, CREAM, BLUE = (0.05, 0.04, 0.45), (0.5, 0.6, 0.66), (0.3, 0.12, 0.06)
FLOWERS = Print("flowers", (0.42, 0.5, 0.52), ((0.1, 0.3, 0.12), (0.12, 0.1, 0.5), (0.5, 0.2, 0.3)), 6.0, 0.4)
WHITE, BLACK = (0.75, 0.74, 0.73), (0.03, 0.03, 0.03)
STRIPES = Print("stripes", WHITE, ((0.4, 0.15, 0.08), (0.2, 0.4, 0.55), (0.2, 0.4, 0.55)), 6.0, 0.4)
GREEN, BROWN = (0.05, 0.16, 0.06), (0.03, 0.06, 0.12)


def turned(points_mm: Floats, angle_rad: float) -> Floats:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.asarray(points_mm @ np.array([[c, s], [-s, c]]) + MIDDLE_MM)


def square(turn_rad: float) -> Floats:
    return turned(SIDE_MM / 2.0 * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]), turn_rad)


def round_star(points: int, radius_mm: float, phase_rad: float = 0.0) -> Floats:
    """(n, 2) about the origin."""
    turns = phase_rad + np.arange(points) * 2.0 * math.pi / points
    return radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])


def block_picture(
    tips_mm: Floats,
    inner_mm: float,
    turn_rad: float,
    fabrics: Fabrics,
    ground: Bgr = WHITE,
    sensor: Sensor = SENSOR,
    seed: int = 5,
) -> Picture:
    """A square with a kite to every tip; inner corners half way between tips, `inner_mm` from the middle."""
    n = len(tips_mm)
    step = math.atan2(*tips_mm[0][::-1]) + math.pi / n
    inner = round_star(n, inner_mm, step)
    cloths = [Cloth(square(turn_rad), ground, weave=0.03)]
    for k, tip in enumerate(tips_mm):
        kite = np.array([[0.0, 0.0], inner[k - 1], tip, inner[k]])
        cloths.append(Cloth(turned(kite, turn_rad), fabrics[k % len(fabrics)], weave=0.03))
    return encode(light_on_pixels(VIEW, Mat(), cloths, optics_px=SENSOR.optics_px), sensor, seed)


@lru_cache(maxsize=1)
def bare() -> MatPicture:
    light = light_on_pixels(VIEW, Mat(), [], optics_px=SENSOR.optics_px)
    return mat_picture(mean_light([encode(light, SENSOR, 100 + seed) for seed in range(8)]))


def measured(pixels: Picture, expected: ExpectedStar) -> MeasuredBlock | None:
    scene = compare_with_mat(linear_image(pixels), bare(), everywhere())
    unit = max(measure_units(scene, camera(), everywhere(), FLAT), key=lambda one: float(one.sides_mm.sum()))
    return measure_block(scene, camera(), unit, expected, FLAT)


@pytest.mark.parametrize(
    ("points", "radius_mm", "inner_mm", "phase", "fabrics"),
    [
        (16, 76.0, 44.0, 0.0, (RED, BLUE)),
        (8, 72.0, 37.0, math.pi / 8, (RED, CREAM)),  # no tip in the direction of a side
        (5, 70.0, 28.0, 0.1, (BLUE,)),
    ],
)
def test_tips_lie_where_they_were_drawn(
    points: int, radius_mm: float, inner_mm: float, phase: float, fabrics: Fabrics
) -> None:
    tips = round_star(points, radius_mm, phase)
    block = measured(block_picture(tips, inner_mm, 0.07, fabrics), ExpectedStar(points, SIDE_MM))
    assert block is not None
    assert block.trouble is None
    np.testing.assert_allclose(block.corners_mat_mm, square(0.07), atol=0.05)
    np.testing.assert_allclose(block.tips_mat_mm, turned(tips, 0.07), atol=0.15)
    reach = 2.0 * radius_mm * math.sin(math.pi * (points // 2) / points)
    np.testing.assert_allclose(block.distances_mm, reach, atol=0.2)
    np.testing.assert_allclose(block.neighbours_mm, 2.0 * radius_mm * math.sin(math.pi / points), atol=0.2)
    assert len(block.distances_mm) == (points // 2 if points % 2 == 0 else points)


def test_like_and_dark_fabrics_as_files_keep_them() -> None:
    """Compression blurs colours of encoded values: of dark and of like fabrics that moves an edge in linear light."""
    kept = Sensor(jpeg=93)
    ratios = list[Floats]()
    for points, radius_mm, inner_mm, ground, fabrics, most_mm in (
        (16, 76.0, 44.0, BLACK, (RED, BLUE, GREEN, BROWN), 0.10),
        (8, 74.0, 36.0, WHITE, (CREAM,), 0.08),
        (16, 76.0, 44.0, BLUE, (CREAM, RED), 0.05),
    ):
        tips = round_star(points, radius_mm, 0.05) + np.random.default_rng(points).uniform(-1.0, 1.0, (points, 2))
        picture = block_picture(tips, inner_mm, 0.21, fabrics, ground, kept)
        block = measured(picture, ExpectedStar(points, SIDE_MM))
        assert block is not None
        off = np.hypot(*(block.tips_mat_mm - turned(tips, 0.21)).T)
        assert math.sqrt(float(np.mean(off**2))) < most_mm
        ratios.append(off / block.tips_u_mm)
    assert 0.3 < float(np.mean(np.concatenate(ratios) ** 2)) < 1.5


def test_prints_and_scattered_tips_within_their_uncertainty() -> None:
    rng = np.random.default_rng(8)
    tips = round_star(16, 76.0) + rng.uniform(-1.2, 1.2, (16, 2))
    block = measured(block_picture(tips, 44.0, -0.2, (STRIPES, FLOWERS)), ExpectedStar(16, SIDE_MM))
    assert block is not None
    off = np.hypot(*(block.tips_mat_mm - turned(tips, -0.2)).T)
    # The stripes' ground has the block's own colour. In bins of 6 px, their levels fitted, not integrated out: 0.123.
    assert math.sqrt(float(np.mean(off**2))) < 0.10
    # The tips' u is that of their worst direction, so errors are smaller than u on average.
    assert 0.05 < float(np.mean((off / block.tips_u_mm) ** 2)) < 2.0
    opposite = tips[:8] - tips[8:]
    np.testing.assert_allclose(block.distances_mm, np.hypot(*opposite.T), atol=4.0 * block.distances_u_mm.max())


def test_first_side_and_first_tip_follow_the_mat() -> None:
    """A block laid down a quarter turn further is numbered from the same place on the mat."""
    tips = round_star(8, 72.0)
    for turn in (0.1, 0.1 + math.pi / 2):
        block = measured(block_picture(tips, 37.0, turn, (RED,)), ExpectedStar(8, SIDE_MM))
        assert block is not None
        np.testing.assert_allclose(block.corners_mat_mm[0], square(0.1)[0], atol=0.1)
        np.testing.assert_allclose(block.tips_mat_mm[0], turned(tips, 0.1)[0], atol=0.1)


def test_what_is_no_such_block_is_none() -> None:
    plain = block_picture(round_star(8, 72.0), 37.0, 0.1, (WHITE,))
    assert measured(plain, ExpectedStar(8, SIDE_MM)) is None  # no star to be seen
    star = block_picture(round_star(8, 72.0), 37.0, 0.1, (RED,))
    assert measured(star, ExpectedStar(8, 457.2)) is None  # another size
