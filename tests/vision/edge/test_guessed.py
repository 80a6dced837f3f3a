"""What a guessed mat leaves unknown: held against least squares in numbers, and two fits of one drawn picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from tests.vision.exact import NOISE_SD, Piece, camera, everywhere, picture
from vision.edge.common import COMMON, SHADOW
from vision.edge.guessed import strays_px
from vision.edge.picture import Picture
from vision.edge.sides import SideStart, fit_sides
from vision.finding.guess import UNEVEN
from vision.finding.mat import compare_with_mat, mat_picture
from vision.light import linear_image

ACROSS_PX = np.linspace(-20.0, 20.0, 8001)
QUIET = NOISE_SD / 5.0


@pytest.mark.parametrize(("mat", "cloth", "blur_px"), [(0.1, 0.5, 0.8), (0.1, 0.13, 1.3), (0.4, 0.2, 1.0)])
def test_a_mat_that_is_brighter_than_guessed_moves_an_edge(mat: float, cloth: float, blur_px: float) -> None:
    """By least squares of the cloth's edge alone, all levels held."""
    by_edge = (cloth - mat) * np.exp(-0.5 * (ACROSS_PX / blur_px) ** 2) / (blur_px * np.sqrt(2.0 * np.pi))
    brighter = UNEVEN * mat * ndtr(ACROSS_PX / blur_px)
    moved = abs(by_edge @ brighter / (by_edge @ by_edge))
    light = np.ones((3, 1))
    assert strays_px(mat * light, cloth * light, blur_px)[0] == pytest.approx(moved, rel=1e-3)


def test_cloth_of_the_mats_own_light_is_drawn_anywhere() -> None:
    light = np.full((3, 1), 0.2)
    assert strays_px(light, light, 1.0)[0] > 100.0


def test_beside_a_guess_a_shadow_is_known_less_and_blur_as_well() -> None:
    corners = np.array([[-30.0, -20.0], [30.0, -20.0], [30.0, 20.0], [-30.0, 20.0]])
    seen, everything = linear_image(picture(Piece(corners), noise_sd=QUIET)), everywhere()
    known = mat_picture(linear_image(picture(seed=2, noise_sd=QUIET)))
    u = []
    for mat in (known, replace(known, known=False)):
        scene = compare_with_mat(seen, mat, everything)
        starts = [SideStart(corners[[k, (k + 1) % 4]], (5.0, 5.0)) for k in range(4)]
        common = fit_sides(Picture.of(scene, camera(), 0.5), starts).common
        u.append(np.sqrt(np.diag(common.covariance)))
    sure, unsure = u
    luma, shadows = COMMON.index("luma"), slice(SHADOW.start, SHADOW.stop)
    assert unsure[luma] == pytest.approx(sure[luma], rel=0.1)
    assert np.max(unsure[shadows] / sure[shadows]) > 1.5
