"""Seams of patchwork on drawn pictures: dark and light change sides along them, and the plan says where to look."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.exact import SENSOR, VIEW, camera, everywhere
from tests.vision.exact_cloth import Cloth, Mat, light_on_pixels
from tests.vision.exact_cover import encode
from vision.comparing.expected import ExpectedShape
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.light import linear_image, mean_light
from vision.measure import Cloth as ClothHeight
from vision.measure import measure_units
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

FLAT = ClothHeight(0.0, 0.0)  # drawn cloth has no thickness
LIGHT, DARK = (0.5, 0.6, 0.66), (0.16, 0.05, 0.035)
MIDDLE_MM, RAW_MM = np.array([183.0, 116.0]), 6.35
# Two by three squares of 40 mm by turns, and their allowance; the plan's frame begins at the raw corner.
CELL_MM, COLUMNS, ROWS = 40.0, 3, 2
WIDE, HIGH = COLUMNS * CELL_MM + 2 * RAW_MM, ROWS * CELL_MM + 2 * RAW_MM
SEAMS = np.array(
    [
        *([[RAW_MM + k * CELL_MM, 0.0], [RAW_MM + k * CELL_MM, RAW_MM + CELL_MM]] for k in (1, 2)),
        *([[RAW_MM + k * CELL_MM, RAW_MM + CELL_MM], [RAW_MM + k * CELL_MM, HIGH]] for k in (1, 2)),
        [[WIDE, RAW_MM + CELL_MM], [0.0, RAW_MM + CELL_MM]],
    ]
)
SHAPE = ExpectedShape("two rows", np.array([[0.0, 0.0], [WIDE, 0.0], [WIDE, HIGH], [0.0, HIGH]]), SEAMS)


def laid(points: Floats, turn_deg: float) -> Floats:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.asarray((points - [WIDE / 2, HIGH / 2]) @ np.array([[c, s], [-s, c]]) + MIDDLE_MM)


def patchwork(turn_deg: float, larger_mm: float, shift_mm: float) -> list[Cloth]:
    """Light cloth with dark squares on it; the upper row was sewn on `shift_mm` to the right."""
    low, right, high = -larger_mm, WIDE + larger_mm, HIGH + larger_mm
    outline = np.array([[low, low], [right, low], [right, high], [low, high]])
    cloths = [Cloth(laid(outline, turn_deg), LIGHT, weave=0.03)]
    xs = [low, RAW_MM + CELL_MM, RAW_MM + 2 * CELL_MM, right]
    ys = [low, RAW_MM + CELL_MM, high]
    for row in range(ROWS):
        for column in range(COLUMNS):
            if (row + column) % 2 == 0:
                a, b = xs[column], xs[column + 1]
                a, b = (x + (shift_mm if row and low < x < right else 0.0) for x in (a, b))
                box = np.array([[a, ys[row]], [b, ys[row]], [b, ys[row + 1]], [a, ys[row + 1]]])
                cloths.append(Cloth(laid(box, turn_deg), DARK, weave=0.03))
    return cloths


@lru_cache(maxsize=1)
def bare() -> MatPicture:
    """The empty mat, the mean of eight frames."""
    light = light_on_pixels(VIEW, Mat(), [], optics_px=SENSOR.optics_px)
    return mat_picture(mean_light([encode(light, SENSOR, 100 + seed) for seed in range(8)]))


def measured(cloths: list[Cloth], planned: tuple[ExpectedShape, ...]) -> MeasuredUnit:
    frame = encode(light_on_pixels(VIEW, Mat(), cloths, optics_px=SENSOR.optics_px), SENSOR, 5)
    scene = compare_with_mat(linear_image(frame), bare(), everywhere())
    (unit,) = measure_units(scene, camera(), everywhere(), FLAT, planned=planned)
    return unit


def off_mm(found: Floats, true: Floats) -> Floats:
    """How far a found seam's ends lie off the true line."""
    along = (true[1] - true[0]) / np.hypot(*(true[1] - true[0]))
    return np.asarray((found - true[0]) @ np.array([along[1], -along[0]]))


@pytest.mark.parametrize(("turn_deg", "larger_mm"), [(0.0, 0.0), (-67.0, 3.0)])
def test_every_part_is_found_though_its_fabrics_change_sides(turn_deg: float, larger_mm: float) -> None:
    cloths = patchwork(turn_deg, larger_mm, 0.0)
    seams = measured(cloths, (SHAPE,)).seams
    assert len(seams) == len(SEAMS)
    for true in laid(SEAMS, turn_deg):
        near = min((off_mm(seam.ends_mat_mm, true) for seam in seams), key=lambda off: float(np.abs(off).max()))
        assert np.abs(near).max() < 0.15
    # Without the plan the search for two fabrics does not see them all.
    assert len(measured(cloths, ()).seams) < len(SEAMS)


def test_a_row_that_was_sewn_on_beside_its_place_has_seams_of_its_own() -> None:
    """The upper row lies 1.2 mm to the right: each half of a line is where it is, and not where their mean is."""
    turn_deg, shift_mm = 12.0, 1.2
    seams = measured(patchwork(turn_deg, 2.0, shift_mm), (SHAPE,)).seams
    for true, by in zip(laid(SEAMS, turn_deg)[:4], (0.0, 0.0, shift_mm, shift_mm), strict=True):
        halves = [seam for seam in seams if np.hypot(*(seam.ends_mat_mm.mean(axis=0) - true.mean(axis=0))) < 6.0]
        (half,) = halves
        assert off_mm(half.ends_mat_mm, true).mean() == pytest.approx(by, abs=0.12)


def test_nothing_is_found_in_cloth_that_is_no_such_unit() -> None:
    plain = [Cloth(laid(SHAPE.corners_mm, 15.0), LIGHT, weave=0.03)]
    assert measured(plain, (SHAPE,)).seams == ()
    small = ExpectedShape("small", SHAPE.corners_mm * 0.5, SEAMS * 0.5)
    assert len(measured(patchwork(15.0, 0.0, 0.0), (small,)).seams) < len(SEAMS)
