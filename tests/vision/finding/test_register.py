"""A camera's move, told by the mat's own lines: a mat drawn as a function of place, seen from elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.finding.mat import MatPicture, Scene, compare_with_mat
from vision.light import luma_chroma

SHAPE = (360, 480)
PITCH_PX, LINE_PX = 43.3, 1.1
GREEN = np.array([0.05, 0.09, 0.04])  # blue green red


def mat_at(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light (H, W, 3) of a green mat with paler lines, at places."""
    away = [np.abs((one + PITCH_PX / 3) % PITCH_PX - PITCH_PX / 2) for one in (x, y)]
    line = np.maximum(*(np.exp(-0.5 * (one / LINE_PX) ** 2) for one in away))
    return GREEN * (1.0 + 1.5 * line[..., None])


def seen(dx: float, dy: float, turn_rad: float, gain: float, cloth: bool) -> Scene:
    """A frame whose pixel (x, y) shows what the mat's picture has at the moved place, in another exposure."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    rng = np.random.default_rng(4)
    middle = (np.array(SHAPE[::-1]) - 1) / 2
    there = x + dx - turn_rad * (y - middle[1]), y + dy + turn_rad * (x - middle[0])
    frame = gain * mat_at(*there)
    if cloth:
        frame[100:240, 150:330] = gain * 0.5
    frame, bare = (one + rng.normal(0.0, 0.002, one.shape) for one in (frame, mat_at(x, y)))
    mat = MatPicture(luma_chroma(bare.astype(np.float32)), True)
    return compare_with_mat(frame.astype(np.float32), mat, np.ones(SHAPE, bool))


@pytest.mark.parametrize("cloth", [False, True])
@pytest.mark.parametrize(
    ("dx", "dy", "turn_rad", "gain"), [(2.0, -1.3, 0.0, 0.8), (-0.4, 0.3, 0.002, 1.2), (0.15, 0.0, 0.0, 1.0)]
)
def test_a_move_is_followed_in_another_exposure(
    dx: float, dy: float, turn_rad: float, gain: float, cloth: bool
) -> None:
    scene = seen(dx, dy, turn_rad, gain, cloth)
    corners = (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (np.array(SHAPE[::-1]) / 2)).T
    moved = np.hypot(dx - turn_rad * corners[1], dy + turn_rad * corners[0]).max()
    # Told at the corners, beyond the outermost lines.
    assert scene.moved_px == pytest.approx(moved, rel=0.1)
    y, x = np.mgrid[10 : SHAPE[0] - 10, 10 : SHAPE[1] - 10].astype(float)
    middle = (np.array(SHAPE[::-1]) - 1) / 2
    truth = gain * mat_at(x + dx - turn_rad * (y - middle[1]), y + dy + turn_rad * (x - middle[0]))
    off = scene.bare[10:-10, 10:-10] - luma_chroma(truth.astype(np.float32))
    # Interpolation keeps the noise of the mat's picture, 0.002 a channel.
    assert float(off[..., 0].std()) < 1.5 * gain * 0.002
    assert abs(float(off[..., 0].mean())) < 0.0005


@pytest.mark.parametrize("gain", [0.8, 1.0, 1.2])
def test_what_has_not_moved_stays_untouched(gain: float) -> None:
    assert seen(0.0, 0.0, 0.0, gain, cloth=True).moved_px == 0.0


@pytest.mark.parametrize(("dx", "dy"), [(0.6, -0.5), (-1.0, 0.8)])
def test_faint_lines_tell_a_move_where_few_are_strong(dx: float, dy: float) -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    rng = np.random.default_rng(5)

    def lit(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        strong = np.exp(-0.5 * ((x - 120.0) / LINE_PX) ** 2)  # says nothing of a move along it
        return GREEN + 0.14 * (mat_at(x, y) - GREEN) + 0.1 * strong[..., None]

    frame, bare = (one + rng.normal(0.0, 0.002, one.shape) for one in (lit(x + dx, y + dy), lit(x, y)))
    mat = MatPicture(luma_chroma(bare.astype(np.float32)), True)
    scene = compare_with_mat(frame.astype(np.float32), mat, np.ones(SHAPE, bool))
    assert scene.moved_px == pytest.approx(np.hypot(dx, dy), rel=0.35)
