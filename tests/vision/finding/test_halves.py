"""A piece of two fabrics, one near the mat's light, and the same two as neighbours; drawn, with noise."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.finding.mat import compare_with_mat, mat_picture
from vision.finding.regions import find_regions

MAT, WEAK, STRONG = 0.03, 0.036, 0.5  # near-black on black in a bright picture, 6 standard deviations of a pixel


def found(gap_px: int, aside_px: int = 0) -> list[int]:
    """Areas in px of what is found of a strong square of 80 px and a weak one so far to its right, shifted down."""
    rng = np.random.default_rng(4)
    light = np.full((240, 360, 3), MAT, np.float32)
    light[60:140, 60:140] = STRONG
    light[60 + aside_px : 140 + aside_px, 140 + gap_px : 220 + gap_px] = WEAK
    light = cv2.GaussianBlur(light, (0, 0), 0.9)
    bare, seen = (
        np.asarray(one + rng.normal(0.0, 0.001, light.shape), np.float32) for one in (np.full_like(light, MAT), light)
    )
    everywhere = np.ones(light.shape[:2], bool)
    scene = compare_with_mat(seen, mat_picture(bare), everywhere)
    return [region.area_px for region in find_regions(scene, everywhere, 400.0)]


def test_halves_of_one_piece() -> None:
    (area,) = found(0)
    assert area == pytest.approx(80 * 160, rel=0.05)


@pytest.mark.parametrize(("gap_px", "aside_px"), [(10, 0), (10, 30), (40, 0)])
def test_neighbours_are_two(gap_px: int, aside_px: int) -> None:
    assert len(found(gap_px, aside_px)) == 2
