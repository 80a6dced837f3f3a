"""Light and mat: the tone curve, robust statistics, exposure, and where the mat is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from calibration.light import linear_from_srgb
from tests.vision.exact import MM_PER_PX, SIZE_PX, Piece, camera, everywhere, grey, picture, px_of_mm
from vision.finding.commonest import bare_spread, commonest
from vision.finding.mat import compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.light import byte_step, linear_image, luma_chroma, mean_light, srgb_from_linear
from vision.measure import find_pieces

CLOTH = np.array([[60.0, 50.0], [170.0, 50.0], [170.0, 150.0], [60.0, 150.0]])


def test_the_tone_curve():
    # IEC 61966-2-1:1999; 8-bit 119 is 18 % grey to the nearest step (common practice: 118 or 119)
    assert linear_image(np.array([[[0, 119, 255]]], np.uint8))[0, 0] == pytest.approx([0.0, 0.1845, 1.0], abs=1e-4)
    levels = np.linspace(0.0, 1.0, 1001)
    assert srgb_from_linear(linear_from_srgb(levels)) == pytest.approx(levels, abs=1e-6)


def test_grey_has_no_colour():
    # ITU-R BT.709 luminance weights
    assert luma_chroma(np.array([0.3, 0.3, 0.3], np.float32)) == pytest.approx([0.3, 0.0, 0.0], abs=1e-6)
    assert luma_chroma(np.array([0.0, 0.0, 1.0], np.float32))[0] == pytest.approx(0.2126, abs=1e-6)


@pytest.mark.parametrize("byte", [1, 40, 119, 254])
def test_a_step_of_the_encoding(byte):
    below, level, above = linear_from_srgb(np.array([byte - 1, byte, byte + 1]) / 255.0)
    assert byte_step(level) == pytest.approx((above - below) / 2, rel=0.02)


def test_the_mean_is_of_light_not_of_bytes():
    pictures = [np.full((4, 6, 3), byte, np.uint8) for byte in (0, 255)]
    assert mean_light(pictures) == pytest.approx(np.full((4, 6, 3), 0.5))


@pytest.mark.parametrize("cloth_share", [0.0, 0.3, 0.5])
def test_the_commonest_part_is_the_mat(cloth_share):
    rng = np.random.default_rng(4)
    mat, cloth = rng.normal(0.02, 0.004, 40_000), rng.uniform(0.2, 0.9, 40_000)
    values = np.where(np.arange(40_000) < 40_000 * cloth_share, cloth, mat).astype(np.float32)
    assert commonest(values) == pytest.approx(0.02, abs=0.004)  # a mode is no better than that
    # The nearest third of all values is taken for a third of the mat: where cloth covers some, the band is wider.
    third = (1 / 3) / (1 - cloth_share)
    wider = norm.ppf((1 + third) / 2) / norm.ppf((1 + 1 / 3) / 2)
    assert bare_spread(values) == pytest.approx(0.004 * wider, rel=0.15)


@pytest.mark.parametrize("exposure", [0.8, 1.0, 1.2])
def test_exposure_is_taken_out(exposure):
    bare = mat_picture(mean_light([picture(seed=50 + i) for i in range(4)]))
    pixels = picture(Piece(CLOTH), seed=60, exposure=exposure)
    scene = compare_with_mat(linear_image(pixels), bare, everywhere())
    assert float(np.median(scene.bare[..., 0] / bare.levels[..., 0])) == pytest.approx(exposure, rel=0.03)
    assert scene.known


@pytest.mark.parametrize("darkest", [1.0, 0.6])
@pytest.mark.parametrize("second", [0.02, 0.3])
def test_a_guess_follows_the_light(darkest, second):
    # light that falls from left to right, a third of the picture covered by light and by dark or grey cloth
    fall = np.linspace(1.0, darkest, 900, dtype=np.float32)[None, :, None]
    pixels = picture(Piece(CLOTH), Piece(CLOTH + np.array([140.0, 20.0]), grey(second)), seed=70)
    guess = guessed_mat_picture(linear_image(pixels) * fall, everywhere())
    assert not guess.known
    ratio = guess.levels[30:570, 20:880, 0] / (0.08 * fall[:, 20:880, 0])
    assert np.abs(ratio - 1).max() < 0.05  # mottle is 0.02


def test_the_mask_of_the_mat_covers_its_area():
    area = np.array([[40.0, 30.0], [300.0, 45.0], [280.0, 200.0], [50.0, 190.0]])
    mask = on_mat_mask(camera(), area)
    x, y = area.T
    true_mm2 = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2
    assert mask.sum() * MM_PER_PX**2 == pytest.approx(true_mm2, rel=0.01)
    inside = px_of_mm(np.array([[60.0, 60.0]])).round().astype(int)[0]
    assert mask[inside[1], inside[0]]
    assert not mask[inside[1], 5]


@pytest.mark.parametrize(("share", "exposure"), [(0.7, 1.0), (0.85, 1.0), (0.85, 0.85)])
def test_while_the_exposure_is_held_one_cloth_may_cover_most_of_the_mat(share, exposure):
    """Yardage on a small mat: a generated frame, its cloth from beyond the left rim to `share` of the width."""
    wide, deep = (size * MM_PER_PX for size in SIZE_PX)
    yardage = np.array([[-50.0, 15.0], [share * wide, 15.0], [share * wide, deep - 15.0], [-50.0, deep - 15.0]])
    bare = mat_picture(mean_light([picture(seed=50 + i) for i in range(4)]), held=True)
    pixels = picture(Piece(yardage), seed=60, exposure=exposure)
    scene = compare_with_mat(linear_image(pixels), bare, everywhere())
    assert float(np.median(scene.bare[..., 0] / bare.levels[..., 0])) == pytest.approx(exposure, rel=0.03)
    (found,) = find_pieces(scene, camera(), everywhere()).regions
    x, _, width, _ = found.box_px
    assert (x, x + width) == (0, pytest.approx(share * SIZE_PX[0], abs=20.0))
    assert found.cut_off


def test_a_camera_that_cannot_be_held_after_all_is_followed_too():
    """Darker in all channels alike, by more than a room's light may change: its own doing."""
    bare = mat_picture(mean_light([picture(seed=50 + i) for i in range(4)]), held=True)
    scene = compare_with_mat(linear_image(picture(Piece(CLOTH), seed=60, exposure=0.6)), bare, everywhere())
    assert float(np.median(scene.bare[..., 0] / bare.levels[..., 0])) == pytest.approx(0.6, rel=0.03)
