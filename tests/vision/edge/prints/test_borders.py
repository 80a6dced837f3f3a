"""Borders of a print's figures: how often they lie where a side might be cut, and what that does to its place.

Frames are generated.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.vision.exact import camera, everywhere
from vision.edge.picture import Picture
from vision.edge.pixels.sidepixels import TILT_PX
from vision.edge.prints.borders import CELL_PX, alike_along, changes_across
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import compare_with_mat, mat_picture

Floats = NDArray[np.float64]

CORNERS = np.array([[60.0, 60.0], [150.0, 50.0], [158.0, 122.0], [68.0, 132.0]])
HEIGHT, WIDTH, FINE = 600, 900, 4
MAT, DARK, PALE, NOISE = 0.12, 0.07, 0.22, 0.005  # linear light; figures are dark, pale, or as the mat is


def beside_a_side(level: Floats) -> tuple[Floats, Floats, NDArray[np.float32]]:
    """Places across and along, and what is seen, of pixels inside a side: rows of `level` lie 0.5 px apart, deeper."""
    deep, along = (one.ravel() for one in np.mgrid[: level.shape[0], : level.shape[1]])
    return -0.5 * deep - 0.25, along + 0.5, np.tile(level.ravel(), (3, 1)).astype(np.float32)


def test_a_change_across_is_that_from_cell_to_cell() -> None:
    level = np.full((24, 9), 0.2)
    level[:15, 3:6] = 0.7  # to 7.5 px inside; cells begin 3 px inside
    changes = changes_across(*beside_a_side(level))
    assert changes.shape == (9 / CELL_PX, 4, 3)
    assert np.allclose(changes[[0, 2]], 0.0, atol=1e-6)
    assert np.allclose(changes[1].sum(axis=0), 0.5, atol=1e-6)
    at = int((7.5 - 3.0) / TILT_PX)
    assert np.allclose(np.delete(changes[1], [at - 1, at], axis=0), 0.0, atol=1e-6)


def test_rows_along_a_side_are_told_from_figures_without_order() -> None:
    rng = np.random.default_rng(3)
    striped = np.where(np.arange(24) % 10 < 5, 0.2, 0.6)[:, None] * np.ones(120)
    assert alike_along(changes_across(*beside_a_side(striped))) > 0.9
    blobs = cv2.GaussianBlur(rng.normal(size=(24, 120)), (0, 0), 3.0)
    assert alike_along(changes_across(*beside_a_side(np.where(blobs > 0.0, 0.6, 0.2)))) < 0.15
    assert np.isnan(changes_across(*beside_a_side(np.full((4, 60), 0.2)))).all()  # nothing so deep


def seen_through_a_lens(cloth: NDArray[np.float32]) -> NDArray[np.float32]:
    """(H, W) light of `FINE` times as many places, behind a blur of 0.7 px and the pixels' own squares."""
    soft = cv2.GaussianBlur(cloth, (0, 0), 0.7 * FINE)
    return np.asarray(soft.reshape(HEIGHT, FINE, WIDTH, FINE).mean(axis=(1, 3)), np.float32)


def turns_and_u_deg(seed: int) -> Floats:
    """(4, 2): errors of the sides' directions and what is stated, of large figures, half of them as the mat is."""
    rng = np.random.default_rng(seed)
    field = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32), (0, 0), 5.0)
    field = cv2.resize(field / field.std(), None, fx=FINE, fy=FINE, interpolation=cv2.INTER_CUBIC)
    cloth, mask = np.where(field > 0.6, PALE, np.where(field < -0.6, DARK, MAT)), np.zeros(field.shape, np.uint8)
    corners = (camera().px_from_mat(CORNERS) + 0.5) * FINE - 0.5
    cv2.fillPoly(mask, [np.rint(corners * 16).astype(np.int32)], 1, shift=4)
    light = seen_through_a_lens(np.where(mask > 0, cloth, MAT).astype(np.float32))
    seen, bare = (
        np.repeat((one + rng.normal(size=light.shape) * sd)[..., None], 3, axis=2).astype(np.float32)
        for one, sd in ((light, NOISE), (np.full_like(light, MAT), NOISE / 4.0))
    )
    scene = compare_with_mat(np.clip(seen, 0.0, 1.0), mat_picture(np.clip(bare, 0.0, 1.0)), everywhere())
    ends = np.roll(CORNERS, -1, axis=0)
    starts = [SideStart(np.array([a, b]), (8.0, 8.0)) for a, b in zip(CORNERS, ends, strict=True)]
    result = []
    for fit, a, b in zip(fit_sides(Picture.of(scene, camera(), 0.0), starts).fits, CORNERS, ends, strict=True):
        assert fit is not None
        way = (b - a) / np.hypot(*(b - a))
        turn = way[0] * fit.along[1] - way[1] * fit.along[0]
        result.append(np.degrees([turn, np.sqrt(fit.covariance[1, 1])]))
    return np.array(result)


def test_sides_of_large_figures_in_the_mats_colour_keep_their_direction() -> None:
    """Within a stated doubt that is less than where every place's slope is free (0.042 of these)."""
    errors, stated = np.concatenate([turns_and_u_deg(seed) for seed in range(4)]).T
    assert np.sqrt(np.mean(errors**2)) < 0.045
    assert np.sqrt(np.mean(stated**2)) < 0.040
    assert 0.3 < np.mean((errors / stated) ** 2) < 1.7
