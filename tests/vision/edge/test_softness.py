"""How soft an edge is, from light that is reckoned here: a normal distribution's rise, and the table beyond the mat."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr

from vision.edge.start.valley import softness_px

CLOTH, MAT, TABLE = 0.20, 0.25, 0.36  # encoded: navy cloth on a dark mat, the table around it lighter


def window(light: np.ndarray, across_px: np.ndarray) -> Any:
    """One side's pixels, in order across it."""
    return SimpleNamespace(side_ends=np.array([0, len(light)]), across_px=across_px, seen=np.float32([light]))


ACROSS_PX = np.linspace(-10.0, 10.0, 2001)


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("off_px", [-0.3, 0.3])
def test_the_blur_of_a_step_is_told(blur_px: float, off_px: float) -> None:
    light = CLOTH + (0.5 - CLOTH) * ndtr((ACROSS_PX - off_px) / blur_px)
    assert softness_px(window(light, ACROSS_PX))[0] == pytest.approx(blur_px, rel=0.1)  # bins are half a pixel wide


def test_a_step_that_is_too_small_tells_nothing() -> None:
    light = CLOTH + (MAT - CLOTH) * ndtr(ACROSS_PX)
    assert np.isnan(softness_px(window(light, ACROSS_PX))[0])


@pytest.mark.parametrize("rim_px", [7.0, 8.0, 9.0])
def test_the_rim_of_the_mat_beside_a_side_is_no_blur_of_it(rim_px: float) -> None:
    """The cloth is sharp and hardly darker than the mat; beyond the rim lies a lighter table."""
    light = CLOTH + (MAT - CLOTH) * ndtr(ACROSS_PX / 0.8) + (TABLE - MAT) * ndtr((ACROSS_PX - rim_px) / 0.8)
    assert np.isnan(softness_px(window(light, ACROSS_PX))[0])
