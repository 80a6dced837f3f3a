"""The shadow of a light to one side: its table against plain sums, its slopes, and fits of drawn frames beside it.

The frames are generated (`tests.vision.exact_cloth`): the shadow there is the cloth's outline, shifted and softened.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.vision.edge.model.test_light import hold_slopes, start, two_sides
from tests.vision.exact_cloth import Bgr, Cloth, Light, Mat, grey, light_on_pixels
from tests.vision.exact_cover import Sensor, View, encode, linear_of
from tests.vision.exact_scenes import LampAtTable
from vision.edge.common import COMMON, OWN, doubted_light, held_light, in_known_light
from vision.edge.model.cast import CAST, CastShadow
from vision.edge.model.coverage import Rims
from vision.edge.picture import Picture
from vision.edge.sidefits import Sides
from vision.edge.sides import SideStart, fit_sides
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.polygons import outward_normals

Floats = NDArray[np.float64]

BLUR_PX = 0.8


@pytest.mark.parametrize(("reach_px", "soft_px"), [(-0.8, 0.9), (0.0, 0.5), (1.1, 0.9), (2.0, 0.3)])
def test_the_table_is_the_blurred_shadow(reach_px: float, soft_px: float) -> None:
    rims = Rims(np.array([0.7]), np.array([0.4]))
    shadow = CastShadow(rims, np.array([BLUR_PX]), np.array([reach_px]), np.array([soft_px]))
    at = np.linspace(-2.0, 5.0, 29)
    x = np.linspace(0.0, 12.0, 12_001)  # past the wall's foot
    kernel = np.exp(-0.5 * ((at[:, None] - 0.4 - x) / BLUR_PX) ** 2) / (math.sqrt(2 * math.pi) * BLUR_PX)
    plain = np.trapezoid(kernel * ndtr((reach_px - x) / soft_px), x, axis=1)
    assert shadow.at(at, np.zeros(29, np.int64)).taken == pytest.approx(plain, abs=0.004)


@pytest.mark.parametrize("name", CAST)
def test_slopes_are_finite_differences(name: str) -> None:
    own, usual = start()
    common = np.array([*usual, 0.4, 0.35, -0.2, 0.3])
    hold_slopes(two_sides(), own, common, len(OWN) + len(COMMON) + CAST.index(name), 0.05)


VIEW, SENSOR, LIGHT_MAT = View((620, 430), middle_px=(300.0, 210.0)), Sensor(), Mat(grey(0.45), grey(0.6))
FACING = [(np.array([120.0, 75.0]), 0.3), (np.array([240.0, 75.0]), 0.9), (np.array([120.0, 160.0]), 1.3)]
ROOM = (Light(),)


def squares() -> list[Floats]:
    corners = np.array([[-27.0, -27.0], [27.0, -27.0], [27.0, 27.0], [-27.0, 27.0]])
    turns = [np.array([[math.cos(t), math.sin(t)], [-math.sin(t), math.cos(t)]]) for _, t in FACING]
    return [corners @ turn + place for (place, _), turn in zip(FACING, turns, strict=True)]


@cache
def bare(mat: Mat) -> MatPicture:
    light = light_on_pixels(VIEW, mat, (), ROOM)
    return mat_picture(linear_of([encode(light, SENSOR, 100 + k) for k in range(8)]))


def fitted(
    cloth: Bgr, mat: Mat, lights: tuple[Light, ...], seed: int, lamp: LampAtTable | None = None
) -> tuple[Sides, Floats, Floats]:
    """The fits of three squares, how far each side is off, px outward, and its stated uncertainty."""
    pieces = squares()
    pixels = encode(light_on_pixels(VIEW, mat, [Cloth(c, cloth) for c in pieces], lights), SENSOR, seed)
    scene = compare_with_mat(linear_of([pixels]), bare(mat), np.ones(pixels.shape[:2], bool), lamp=lamp)
    starts = [
        SideStart(np.array([a, b]), (8.0, 8.0)) for c in pieces for a, b in zip(c, np.roll(c, -1, axis=0), strict=True)
    ]
    sides = fit_sides(Picture.of(scene, VIEW.camera(), 0.0), starts)
    normals = np.concatenate([outward_normals(c) for c in pieces])
    off, u = [], []
    for rough, fit, normal in zip(starts, sides.fits, normals, strict=True):
        assert fit is not None
        off.append(float((fit.middle_mat_mm - rough.ends_mat_mm.mean(axis=0)) @ normal) * fit.px_per_mm)
        u.append(math.sqrt(fit.covariance[0, 0]) * fit.px_per_mm)
    return sides, np.array(off), np.array(u)


@pytest.mark.parametrize("depth", [0.2, 0.4])
def test_a_soft_shadow_does_not_widen_dark_cloth(depth: float) -> None:
    lights = (Light(shadow=depth, shift_mat_mm=(0.35, 0.25), soft_mm=0.35),)
    sides, off, u = fitted(grey(0.08), LIGHT_MAT, lights, 1)
    assert sides.common.shadowed
    assert abs(2.0 * off.mean()) < 0.06  # taken as cloth it would be 0.15 and 0.4
    assert np.mean((off / np.hypot(u, 0.005)) ** 2) < 3.0
    share, shift_x, shift_y, soft = sides.common.values[len(COMMON) :]
    stated = np.sqrt(np.diag(sides.common.covariance))[len(COMMON) :]
    assert np.all(np.abs([share - depth, shift_x - 0.35, shift_y - 0.25, soft - 0.35]) < 4.0 * stated + 0.02)


def test_a_hard_shadow_beside_dark_cloth_is_told_by_where_sides_face() -> None:
    lights = (Light(shadow=0.4, shift_mat_mm=(-0.25, -0.4), soft_mm=0.03),)
    sides, off, u = fitted(grey(0.08), LIGHT_MAT, lights, 2)
    assert sides.common.shadowed
    assert abs(2.0 * off.mean()) < 0.15  # taken as cloth it would be 0.36
    assert np.mean((off / u) ** 2) < 5.0  # and would be 167


@pytest.mark.parametrize(
    ("cloth", "mat"), [(grey(0.02), Mat()), (grey(0.08), LIGHT_MAT), (grey(0.6), Mat()), ((0.04, 0.03, 0.35), Mat())]
)
@pytest.mark.parametrize("seed", [3, 4])
def test_no_shadow_is_seen_where_none_is(cloth: Bgr, mat: Mat, seed: int) -> None:
    sides, off, _ = fitted(cloth, mat, ROOM, seed)
    assert not sides.common.shadowed
    assert np.abs(off).max() < 0.06


@pytest.mark.parametrize(("cloth", "mat"), [(grey(0.08), LIGHT_MAT), (grey(0.6), Mat())])
@pytest.mark.parametrize("off", [-0.15, 0.0, 0.15])
def test_beside_a_lamp_whose_place_is_known_its_shadow_is_no_cloth(cloth: Bgr, mat: Mat, off: float) -> None:
    """Its own deep, hard shadow, reaching up to 1.15 px; the reach is known to 15 %, and that is in the uncertainty."""
    shift = np.array([-0.3, 0.35])
    lights = (Light(shadow=1.0, shift_mat_mm=(-0.3, 0.35), soft_mm=0.06),)
    _, off_px, u = fitted(cloth, mat, lights, 5, LampAtTable(shift * (1.0 + off)))
    normals = np.concatenate([outward_normals(c) for c in squares()])
    reach_px = np.maximum(normals @ shift / VIEW.mm_per_px, 0.0)
    lit = reach_px == 0.0
    assert np.abs(off_px[lit]).max() < 0.05
    assert np.mean((off_px / u) ** 2) < 1.5
    dark = cloth[0] < mat.light[0]
    assert np.all(np.abs(off_px[~lit]) < 0.04 + 0.2 * dark * reach_px[~lit])  # unknown, it would be half of the reach


def test_what_is_held_of_a_lamp_is_held_again_by_a_fit_that_begins_from_another() -> None:
    before = in_known_light(0.7, 1.0)
    told = doubted_light(before, 0.05)
    shadow = slice(len(COMMON), None)
    assert np.sqrt(np.diag(told.covariance))[shadow][1:3] == pytest.approx([0.05, 0.05], rel=1e-3)
    again = held_light(told)
    assert np.diag(again.covariance)[shadow] == pytest.approx(np.diag(before.covariance)[shadow])
    assert again.covariance[: len(COMMON), : len(COMMON)] == pytest.approx(
        told.covariance[: len(COMMON), : len(COMMON)]
    )
