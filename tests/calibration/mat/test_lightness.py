"""How light a mat is beside paper, by pictures made here: the light falls off, the mat is coloured, truth by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.mat.lightness import mat_over_paper
from calibration.sheet.corners import SheetView
from calibration.tone import SRGB

GREEN = np.array([0.10, 0.19, 0.055])  # linear blue, green, red
PAPER = 0.84


def encoded(linear: np.ndarray) -> np.ndarray:
    middles = 0.5 * (SRGB.linear_of_byte[1:] + SRGB.linear_of_byte[:-1])
    return np.searchsorted(middles, linear).astype(np.uint8)


def view(corners_px: np.ndarray, white: float) -> SheetView:
    count = len(corners_px)
    return SheetView("a view", np.arange(count), np.zeros((count, 2)), corners_px, np.ones(count), white=white)


def test_the_median_view_tells_the_coloured_mat_s_luminance_whatever_the_light() -> None:
    light = np.linspace(1.0, 0.6, 200)[None, :, None] * np.full((150, 1, 1), 0.9)
    bare = encoded(light * GREEN)
    views = []
    for left in (20, 80, 140):
        corners = np.stack(np.meshgrid(np.arange(left, left + 40.0, 8), np.arange(30.0, 90, 8)), axis=-1).reshape(-1, 2)
        views.append(view(corners, float(PAPER * 0.9 * np.interp(left + 16, [0, 199], [1.0, 0.6]))))
    wanted = GREEN @ [0.0722, 0.7152, 0.2126] / PAPER
    assert mat_over_paper(bare, views, SRGB) == pytest.approx(wanted, rel=0.02)
    views[1] = view(views[1].corners_px, 0.2)  # one whose white was misread
    assert mat_over_paper(bare, views, SRGB) == pytest.approx(wanted, rel=0.05)


def test_nothing_is_known_without_a_white_or_beyond_the_picture() -> None:
    bare = np.full((20, 30, 3), 90, np.uint8)
    assert mat_over_paper(bare, [], SRGB) is None
    assert mat_over_paper(bare, [view(np.array([[5.0, 5.0]]), float("nan"))], SRGB) is None
    assert mat_over_paper(bare, [view(np.array([[500.0, 5.0]]), 0.8)], SRGB) is None
    assert mat_over_paper(bare, [view(np.array([[5.0, 5.0]]), 0.01)], SRGB) == 1.0  # never lighter than paper
