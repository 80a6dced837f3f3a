"""The bare mat guessed from a picture with cloth on it: a window's light, faint cloth, printed lines."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.exact import SIZE_PX, camera, everywhere
from vision.finding.gridlines import line_shares
from vision.finding.guess import guessed_levels

WIDTH, HEIGHT = SIZE_PX
LINE_PX, PITCH_PX = 4, 50


def mat(light: np.ndarray | float = 0.1, seed: int = 3) -> np.ndarray:
    """Levels (H, W, 3) of a green mat whose single pixels are off by a fifth of its light."""
    noise = np.random.default_rng(seed).normal(0.0, 0.02, (HEIGHT, WIDTH, 3))
    levels = (
        np.ones((HEIGHT, WIDTH, 1)) * np.array([1.0, -0.5, -0.4]) * np.broadcast_to(light, (HEIGHT, WIDTH))[..., None]
    )
    return (levels + noise).astype(np.float32)


def lined(levels: np.ndarray, ink: float = 0.05) -> np.ndarray:
    """The same with lines along the mat, `ink` brighter."""
    levels = levels.copy()
    on_line = (np.arange(WIDTH) % PITCH_PX < LINE_PX) | (np.arange(HEIGHT) % PITCH_PX < LINE_PX)[:, None]
    levels[on_line] += np.float32(ink) * np.array([1.0, 0.0, 0.0], np.float32)
    return levels


def middle(levels: np.ndarray, rows: slice, columns: slice) -> np.ndarray:
    return np.asarray(np.mean(levels[rows, columns], axis=(0, 1)))


def test_light_beside_a_window():
    # It halves every eighth of the width, as close to a window (common practice, no source).
    light = 0.1 * (1.0 + np.exp2(-8.0 * np.arange(WIDTH) / WIDTH))[None, :]
    ratio = guessed_levels(mat(light), everywhere())[..., 0] / light
    assert np.abs(ratio - 1.0).max() < 0.06
    assert np.sqrt(np.mean((ratio - 1.0) ** 2)) < 0.02


@pytest.mark.parametrize("off", [-0.015, 0.015])
def test_faint_cloth_does_not_draw_the_guess_to_it(off):
    # It lies within the noise of single pixels.
    levels = mat()
    levels[180:440, 300:560] += np.array([off, -off / 2, 0.0], np.float32)
    bare = guessed_levels(levels, everywhere())
    assert middle(bare, slice(180, 440), slice(300, 560)) == pytest.approx([0.1, -0.05, -0.04], abs=abs(off) / 5)


def test_printed_lines_are_part_of_the_guess():
    levels = lined(mat())
    levels[100:300, 220:500] = 0.5  # cloth hides some of them
    bare = guessed_levels(levels, everywhere(), camera())
    for rows, columns in ((slice(310, 345), slice(301, 303)), (slice(401, 403), slice(610, 640))):
        assert middle(bare, rows, columns)[0] == pytest.approx(0.15, abs=0.006)
    assert middle(bare, slice(310, 340), slice(315, 340)) == pytest.approx([0.1, -0.05, -0.04], abs=0.004)
    # They go on below the cloth.
    assert middle(bare, slice(160, 190), slice(301, 303))[0] == pytest.approx(0.15, abs=0.006)


@pytest.mark.parametrize("rows", [slice(200, 260), slice(200, 440)])
def test_a_strip_that_lies_along_the_mat_is_no_line(rows):
    levels = mat()
    levels[rows, 20:880] += np.float32(0.05)
    shares = line_shares(levels, np.broadcast_to(np.float32([0.1, -0.05, -0.04]), levels.shape), everywhere(), camera())
    assert np.abs(shares[rows, 20:880]).max() < 0.1  # it differs by a half
    assert np.abs(np.mean(shares[rows, 20:880])) < 0.01


def test_a_mat_without_lines_has_none():
    smooth = np.broadcast_to(np.float32([0.1, -0.05, -0.04]), (HEIGHT, WIDTH, 3))
    assert np.count_nonzero(line_shares(mat(), smooth, everywhere(), camera())) == 0
