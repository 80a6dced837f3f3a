"""Where strong cloth has its rim beside a neighbour: light reckoned by hand, behind a lens' blur."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.finding.clothrims import within_half
from vision.finding.layers import Layer
from vision.finding.mat import Scene
from vision.finding.regions import find_regions
from vision.light import luma_chroma

SIZE, MAT, CLOTH, BLUR_PX = 200, 0.3, 0.05, 1.2
EVERYWHERE = slice(0, SIZE // 2), slice(0, SIZE // 2)


def scene(*dark: tuple[int, int, int, int]) -> Scene:
    """Boxes (left, top, right, below) of dark cloth on a light mat."""
    light = np.full((SIZE, SIZE, 3), MAT, np.float32)
    for left, top, right, below in dark:
        light[top:below, left:right] = CLOTH
    seen = cv2.GaussianBlur(light, (0, 0), BLUR_PX)
    seen += np.random.default_rng(1).normal(0.0, 0.002, seen.shape).astype(np.float32)
    bare = np.full_like(light, MAT)
    return Scene(Layer.of(luma_chroma(seen)), Layer.of(luma_chroma(bare)), np.full(3, 0.002), known=True)


def regions(one: Scene) -> int:
    return len(find_regions(one, np.ones((SIZE, SIZE), bool), 200.0))


def test_a_rim_lies_where_cloth_differs_by_half() -> None:
    halved, figures = within_half(scene((60, 60, 140, 140)), EVERYWHERE)
    expected: NDArray[np.bool_] = np.zeros((SIZE // 2, SIZE // 2), bool)
    expected[30:70, 30:70] = True
    near = slice(29, 71), slice(29, 71)  # farther off there is nothing but noise to differ by
    assert np.array_equal(halved[near] > 0, expected[near])
    assert not figures[32:68, 32:68].any()


def test_dark_cloth_with_a_gap_of_the_mats_colour_shows_figures() -> None:
    _, figures = within_half(scene((60, 60, 99, 140), (103, 60, 140, 140)), EVERYWHERE)
    assert np.count_nonzero(figures[35:65, 49:52]) >= 30


@pytest.mark.parametrize("gap_px", [4, 6])
def test_neighbours_of_other_heights_part_where_a_few_pixels_of_mat_show(gap_px: int) -> None:
    assert regions(scene((40, 40, 100, 150), (100 + gap_px, 40, 160, 90))) == 2


def test_a_print_with_stripes_of_the_mats_colour_is_one_piece() -> None:
    """The same pieces, with a stripe in either that ends within it as well: what lies between them may be one, too."""
    one = scene((40, 40, 66, 150), (66, 40, 70, 120), (70, 40, 100, 150))
    other = scene((104, 40, 130, 90), (130, 40, 134, 75), (134, 40, 160, 90))
    assert (regions(one), regions(other)) == (1, 1)
    both = [(40, 40, 66, 150), (66, 40, 70, 120), (70, 40, 100, 150), (104, 40, 130, 90), (130, 40, 134, 75)]
    assert regions(scene(*both, (134, 40, 160, 90))) == 1
