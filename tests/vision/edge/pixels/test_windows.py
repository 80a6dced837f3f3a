"""Pixels placed in their sides' axes, against the camera's own projection."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole
from vision.edge.picture import Picture
from vision.edge.pixels.places import rows_about
from vision.edge.pixels.windows import BIN_PX, Axes, sample
from vision.finding.mat import compare_with_mat, mat_picture

Floats = NDArray[np.float64]

SIZE = (640, 480)
HEIGHT_MM = 0.4
LENGTH_MM = 80.0
MIDDLES = np.array([[120.0, 90.0], [60.0, 150.0], [190.0, 60.0]])
TURNS = np.array([0.2, 1.7, -2.4])
ALONG = np.column_stack([np.cos(TURNS), np.sin(TURNS)])


def tilted() -> Pinhole:
    """A camera 600 mm above, tilted by some degrees, with a lens that bends lines a little."""
    rotation = cv2.Rodrigues(np.array([0.06, -0.04, 0.02]))[0] @ np.diag([1.0, -1.0, -1.0])
    lens = Lens(SIZE, (1250.0, 1252.0), (318.0, 243.0), (-0.03, 0.01, 0.0005, -0.0003, 0.0))
    return Pinhole(lens, rotation, -rotation @ [130.0, 100.0, 600.0])


def axes() -> Axes:
    return Axes.at(tilted(), HEIGHT_MM, MIDDLES, ALONG, np.full(3, LENGTH_MM))


@pytest.mark.parametrize("side", range(3))
def test_across_is_the_distance_in_the_picture(side: int) -> None:
    camera = tilted()
    rng = np.random.default_rng(side)
    along_mm, across_mm = rng.uniform(-35.0, 35.0, 60), rng.uniform(-3.0, 3.0, 60)
    outward = np.array([ALONG[side, 1], -ALONG[side, 0]])
    feet = MIDDLES[side] + np.outer(along_mm, ALONG[side])
    points_px = camera.px_from_mat(feet + np.outer(across_mm, outward), HEIGHT_MM)
    line_px = camera.px_from_mat(MIDDLES[side] + np.outer(np.linspace(-60.0, 60.0, 4001), ALONG[side]), HEIGHT_MM)
    distance = np.array([np.hypot(*(line_px - point).T).min() for point in points_px]) * np.sign(across_mm)
    across, along = axes().places(feet + np.outer(across_mm, outward), np.full(60, side))
    assert across == pytest.approx(distance, abs=0.03)  # over some 6 px
    assert along == pytest.approx(along_mm * axes().along_px_per_mm[side], abs=1e-9)


def test_a_wall_is_seen_on_the_sides_that_face_the_lens() -> None:
    camera, rims = tilted(), axes().rims
    top, foot = (camera.px_from_mat(MIDDLES, height) for height in (HEIGHT_MM, 0.0))
    moved = np.sum((foot - top) * axes().outward_px, axis=1)
    assert rims.wall_px == pytest.approx(moved, abs=0.02)
    assert rims.height_px == pytest.approx(HEIGHT_MM * axes().scale)


def test_a_window_holds_each_pixel_near_its_side_once_and_in_order() -> None:
    camera = tilted()
    light = np.random.default_rng(1).uniform(0.1, 0.2, (SIZE[1], SIZE[0], 3)).astype(np.float32)
    scene = compare_with_mat(light, mat_picture(light), np.ones(light.shape[:2], bool))
    picture = Picture.of(scene, camera, HEIGHT_MM)
    trims = np.array([[5.0, 9.0]] * 3)
    window = sample(picture, axes(), 4.0, 6.0, trims, np.zeros(3, np.int64))
    half = LENGTH_MM * axes().along_px_per_mm / 2.0
    xs, ys = np.meshgrid(np.arange(1, SIZE[0] - 1), np.arange(1, SIZE[1] - 1))
    every = camera.mat_from_px(np.column_stack([xs.ravel(), ys.ravel()]).astype(float), HEIGHT_MM)
    for side, run in enumerate(window.runs):
        across, along = axes().places(every, np.full(len(every), side))
        near = (across > -4.0) & (across < 6.0) & (along > 5.0 - half[side]) & (along < half[side] - 9.0)
        found = camera.px_from_mat(window.points_mat_mm[run], HEIGHT_MM)
        assert found == pytest.approx(np.rint(found), abs=1e-3)
        places = {(int(x), int(y)) for x, y in np.rint(found)}
        assert len(places) == len(found) == np.count_nonzero(near)
    for first, last in pairwise(window.bin_starts):
        assert np.ptp(window.side[first:last]) == 0
        assert np.ptp(window.along_px[first:last]) < BIN_PX


def test_a_line_between_two_rows_of_pixels_has_none() -> None:
    """A side shorter than a pixel; a folder of photographs without the bare mat had ended with a traceback."""
    rows, _ = rows_about(np.array([[[10.2, 5.3], [10.4, 5.6]]]), 3.0)
    assert len(rows) == 0
