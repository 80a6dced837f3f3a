"""Pictures of a camera that sharpens, and of some that do not. Outside reference of the mask: `scipy.ndimage`."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.vision.exact import MM_PER_PX, Piece, camera, everywhere, picture
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.mask import Sharpening
from vision.edge.model.sharpening import find_sharpening
from vision.edge.start.profiles import profiles_of, straight_parts
from vision.finding.mat import SRGB, Scene, compare_with_mat, mat_picture
from vision.finding.sharpened import CLOSELY, unsharpened
from vision.light import BGR_OF_LEVELS, linear_image, luma_chroma, mean_light
from vision.measure import Cloth, find_pieces, measure_units

FLAT = Cloth(0.0, 0.0)
WIDTH_MM = 70.0


def sharpened(pixels: NDArray[np.uint8], amount: float, radius_px: float) -> NDArray[np.uint8]:
    """An unsharp mask on the bytes of a picture."""
    encoded = pixels.astype(np.float64)
    blurred = gaussian_filter(encoded, (radius_px, radius_px, 0.0))
    return np.rint(np.clip(encoded + amount * (encoded - blurred), 0.0, 255.0)).astype(np.uint8)


def square(x: float, y: float, turn_deg: float) -> np.ndarray:
    turn = math.radians(turn_deg)
    c, s, h = math.cos(turn), math.sin(turn), WIDTH_MM / 2.0
    corners = np.array([[-h, -h], [h, -h], [h, h], [-h, h]])
    return np.asarray(corners @ np.array([[c, s], [-s, c]]) + [x, y])


@lru_cache
def seen(amount: float, radius_px: float = 1.0, light: float = 0.6, seed: int = 1) -> Scene:
    """Three squares on the mat."""
    places = ((70.0, 70.0, 7.0), (180.0, 160.0, 24.0), (280.0, 90.0, 41.0))
    pieces = [Piece(square(*place), (light, light, light)) for place in places]
    bare = mean_light([sharpened(picture(seed=700 + k), amount, radius_px) for k in range(2)])
    pixels = sharpened(picture(*pieces, seed=seed), amount, radius_px)
    return compare_with_mat(linear_image(pixels), mat_picture(bare), everywhere())


def width_bias_px(scene: Scene, undo: bool = True) -> float:
    pieces = find_pieces(scene, camera(), everywhere())
    if not undo:
        pieces = type(pieces)(pieces.regions, pieces.differs, scene)
    units = measure_units(scene, camera(), everywhere(), FLAT, pieces=pieces)
    widths = [width.mean_mm for unit in units for width in unit.widths]
    assert len(widths) == 6
    return (float(np.mean(widths)) - WIDTH_MM) / MM_PER_PX


@pytest.mark.parametrize(("amount", "radius_px", "light"), [(0.8, 1.0, 0.6), (0.8, 1.5, 0.6), (0.8, 1.0, 0.3)])
def test_widths_in_a_sharpened_picture_are_as_true_as_in_a_plain_one(
    amount: float, radius_px: float, light: float
) -> None:
    scene = seen(amount, radius_px, light)
    assert width_bias_px(scene, undo=False) > 0.08
    assert abs(width_bias_px(scene)) < 0.025  # on one frame; the mask itself is known to a few hundredths


@pytest.mark.parametrize(("amount", "radius_px"), [(0.4, 1.0), (0.8, 1.0), (1.2, 1.0), (0.8, 1.5), (0.5, 2.0)])
def test_what_edges_tell_of_the_mask(amount: float, radius_px: float) -> None:
    scene, encoder = seen(amount, radius_px), Encoder.of(SRGB)
    regions = find_pieces(scene, camera(), everywhere()).regions
    found = find_sharpening(profiles_of(scene, straight_parts(regions)[: CLOSELY[0]], encoder, CLOSELY[1]), encoder)
    assert found is not None
    assert abs(found.strength - amount * radius_px**2) < 3.0 * found.strength_u
    assert found.strength_u < 0.12 * amount * radius_px**2


def test_white_cloth_at_which_no_camera_can_swing_over_says_nothing_of_the_mask() -> None:
    white, plain = ((80.0, 70.0, 7.0), (80.0, 170.0, 12.0)), ((190.0, 70.0, 24.0), (190.0, 170.0, 30.0))
    pieces = [Piece(square(*place), (light,) * 3) for places, light in ((white, 1.1), (plain, 0.4)) for place in places]
    bare = mean_light([sharpened(picture(seed=700 + k), 0.8, 1.0) for k in range(2)])
    pixels = sharpened(picture(*pieces, seed=1), 0.8, 1.0)
    scene = compare_with_mat(linear_image(pixels), mat_picture(bare), everywhere())
    regions = find_pieces(scene, camera(), everywhere()).regions
    encoder = Encoder.of(SRGB)
    profiles = profiles_of(scene, straight_parts(regions), encoder, CLOSELY[1])
    assert len(profiles.luma) == 8
    found = find_sharpening(profiles, encoder)
    assert found is not None
    assert abs(found.strength - 0.8) < 3.0 * found.strength_u


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("light", [0.6, 0.3, 0.02])
def test_a_plain_picture_is_left_as_it_is(light: float, seed: int) -> None:
    scene = seen(0.0, 1.0, light, seed)
    assert find_pieces(scene, camera(), everywhere()).scene is scene


def test_a_picture_whose_noise_compression_took_away_is_left_as_it_is() -> None:
    # Pixels that are all alike are not known exactly: each is rounded to a 255th, which errs by a variance of
    # 1/12 of a step's square (common practice, no source).
    pieces = [Piece(square(70.0 + 90.0 * k, 70.0 + 45.0 * k, 7.0 + 10.0 * k), (0.5,) * 3) for k in range(3)]
    scene = compare_with_mat(
        linear_image(picture(*pieces, noise_sd=1e-6)), mat_picture(mean_light([picture(noise_sd=1e-6)])), everywhere()
    )
    found = find_pieces(scene, camera(), everywhere())
    profiles = profiles_of(scene, straight_parts(found.regions), Encoder.of(SRGB), CLOSELY[1])
    assert len(profiles.luma) > 8
    assert profiles.variance.min() >= (1.0 / 255.0) ** 2 / 12.0 / 2000.0  # of the pixels in a bin, at most so many
    assert found.scene is scene


def test_only_luma_is_changed() -> None:
    rng = np.random.default_rng(3)
    linear = rng.uniform(0.2, 0.5, (40, 50, 3)).astype(np.float32)
    before = luma_chroma(linear)
    after = unsharpened(before, Sharpening(0.8, 1.0), SRGB)
    encode = Encoder.of(SRGB).encode
    one, two = (encode(each @ BGR_OF_LEVELS.T)[0] @ YCC_OF_BGR.T for each in (before, after))
    assert np.abs(one - two)[..., 1:].max() < 1e-3
    assert np.abs(one - two)[..., 0].max() > 0.02
