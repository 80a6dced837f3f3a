"""The light across a rim in closed form, against a numerical convolution of what is sharp, and its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.edge.model.coverage import LAMP, Coverage, RimLight, Rims

Floats = NDArray[np.float64]

FINE_PX = 0.005
FINE = np.arange(-10.0, 22.0, FINE_PX)
AT = np.linspace(-4.0, 6.0, 101)
RIMS = [(0.7, 0.0), (0.7, 0.4), (0.7, -0.4), (1.4, 0.3)]  # height, and how far the wall is seen, px


def looked_up(height_px: float, wall_px: float, blur_px: float, at: Floats = AT, lean: float = 0.0) -> Coverage:
    light = RimLight(Rims(np.array([height_px]), np.array([wall_px])), np.array([blur_px]), lean)
    return light.at(at, np.zeros(len(at), np.int64))


def blurred(sharp: Floats, blur_px: float) -> Floats:
    half = math.ceil(6.0 * blur_px / FINE_PX)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * FINE_PX / blur_px) ** 2)
    return np.interp(AT, FINE, np.convolve(sharp, kernel / kernel.sum(), "same"))


def hidden_sine(height_px: float, wall_px: float) -> Floats:
    """Of how steeply the wall's upper edge stands above each place of the mat."""
    foot = max(wall_px, 0.0)
    beyond = np.maximum(FINE - foot, 0.0) + max(-wall_px, 0.0)
    return beyond / np.hypot(beyond, height_px)


@pytest.mark.parametrize("blur_px", [0.5, 0.85, 1.6])
@pytest.mark.parametrize(("height_px", "wall_px"), RIMS)
def test_shares_are_sharp_ones_behind_the_blur(height_px: float, wall_px: float, blur_px: float) -> None:
    cover = looked_up(height_px, wall_px, blur_px)
    foot = max(wall_px, 0.0)
    past = np.greater(FINE, foot)
    assert cover.top == pytest.approx(blurred((FINE < 0.0) * 1.0, blur_px), abs=3e-3)
    assert cover.mat == pytest.approx(blurred(past * 1.0, blur_px), abs=3e-3)
    assert cover.wall == pytest.approx(blurred(((FINE > 0.0) & ~past) * 1.0, blur_px), abs=5e-3)
    # Form factor of a long strip seen from a place beside it (tables of radiation heat transfer): (1 - sine) / 2.
    sine = hidden_sine(height_px, wall_px)
    assert cover.sky == pytest.approx(blurred(past * (1.0 - sine) / 2.0, blur_px), abs=2e-3)


@pytest.mark.parametrize("lean", [-0.3, 0.0, 0.2])
def test_a_lamp_is_hidden_like_a_disc_by_a_straight_edge(lean: float) -> None:
    # Share of a disc's area beyond a chord, by counting points of it.
    grid = np.linspace(-LAMP, LAMP, 801)
    x, y = np.meshgrid(grid, grid)
    disc = np.hypot(x, y) < LAMP
    sine = hidden_sine(0.8, 0.0)
    table = np.linspace(0.0, 1.0, 201)
    beyond = np.array([np.count_nonzero(disc & (x + lean > one)) for one in table]) / np.count_nonzero(disc)
    sharp = (FINE > 0.0) * np.interp(sine, table, beyond)
    cover, ahead = (looked_up(0.8, 0.0, 0.7, lean=one) for one in (lean, lean + 0.01))
    assert cover.lamp == pytest.approx(blurred(sharp, 0.7), abs=3e-3)
    assert (cover.leans + ahead.leans) / 2.0 == pytest.approx((ahead.lamp - cover.lamp) / 0.01, abs=0.02)


def test_a_lamp_straight_above_shades_less_far_than_a_sky() -> None:
    cover = looked_up(1.0, 0.0, 0.5, np.array([0.0, 1.0, 3.0, 8.0]))
    assert np.all(cover.lamp <= cover.sky + 1e-12)
    assert cover.lamp[2] == pytest.approx(0.0, abs=1e-4)  # from 60 degrees up nothing of it is hidden
    assert cover.sky[2] > 0.01
    assert cover.sky[3] == pytest.approx((1.0 - 8.0 / math.hypot(8.0, 1.0)) / 2.0, abs=1e-3)


def test_all_that_a_sky_loses_is_half_the_height() -> None:
    at = np.arange(-4.0, 11.0, 0.05)
    beyond = 0.5 * (math.hypot(11.0, 0.9) - 11.0)
    assert looked_up(0.9, 0.0, 0.8, at).sky.sum() * 0.05 == pytest.approx(0.45 - beyond, abs=0.01)
