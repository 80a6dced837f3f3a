"""The noise of a frame as it is written down, against noise that was drawn. Generated pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.tone import SRGB, linear_from_srgb
from vision.edge.model.encoding import Encoder
from vision.edge.pixels.neighbours import neighbours_of
from vision.edge.pixels.noise import BLOCK_PX, encoded_noise
from vision.finding.mat import MatPicture, Scene, compare_with_mat
from vision.light import luma_chroma

SD = 0.02
SHAPE = (300, 400)
BARE = neighbours_of([], SHAPE)  # no cloth anywhere


def scene(noise: NDArray[np.float64], known: bool = True) -> Scene:
    """A grey mat of encoded level 0.35 with this noise (H, W, 3) in its encoded values."""
    encoded = np.full((*SHAPE, 3), 0.35)
    bare, seen = (linear_from_srgb(one).astype(np.float32) for one in (encoded, encoded + noise))
    return compare_with_mat(seen, MatPicture(luma_chroma(bare), known), np.ones(SHAPE, bool))


def drawn(seed: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(0.0, SD, (*SHAPE, 3))


def test_noise_of_each_pixel_alone() -> None:
    noise = encoded_noise(scene(drawn(1)), Encoder.of(SRGB), BARE)
    # Luma is a weighted sum of three channels that err independently (ITU-R BT.601).
    assert noise.sd[0] == pytest.approx(SD * np.hypot.reduce([0.299, 0.587, 0.114]), rel=0.15)
    assert noise.together[0] == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("blur_px", [0.5, 0.8])
def test_noise_of_pixels_that_err_alike(blur_px: float) -> None:
    grey = np.repeat(drawn(2)[..., :1], 3, axis=2)
    soft = cv2.GaussianBlur(grey, (0, 0), blur_px)
    noise = encoded_noise(scene(soft * (SD / soft.std())), Encoder.of(SRGB), BARE)
    # The variance of a block's mean over a pixel's: correlations exp(-d^2 / 4 s^2) of all pairs of its pixels.
    reach = np.arange(13)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / blur_px) ** 2)
    alike = np.array([np.sum(kernel[: 13 - d] * kernel[d:]) for d in reach]) / np.sum(kernel**2)
    d = np.abs(np.subtract.outer(np.arange(BLOCK_PX), np.arange(BLOCK_PX)))
    theory = float(alike[d].sum() / BLOCK_PX) ** 2
    assert noise.together[0] == pytest.approx(theory, rel=0.25)
    assert noise.together[0] > 1.5
    assert noise.sd[0] == pytest.approx(SD, rel=0.25)


def test_without_neighbours_noise_is_the_same() -> None:
    soft = cv2.GaussianBlur(np.repeat(drawn(2)[..., :1], 3, axis=2), (0, 0), 0.8)
    one = scene(soft * (SD / soft.std()))
    known, alone = encoded_noise(one, Encoder.of(SRGB), BARE), encoded_noise(one, Encoder.of(SRGB))
    assert (alone.sd, alone.together) == (known.sd, known.together)


def test_cloth_that_nobody_told_of_does_not_count() -> None:
    noise = drawn(1)
    noise[:120, :200] += 0.1  # a fifth of the picture
    told = encoded_noise(scene(noise), Encoder.of(SRGB))
    assert told.sd[0] == pytest.approx(SD * np.hypot.reduce([0.299, 0.587, 0.114]), rel=0.15)
    assert told.together[0] == pytest.approx(1.0, abs=0.3)


def test_a_guessed_mat_is_as_noisy_and_errs_more_in_what_is_smooth() -> None:
    sure, unsure = (encoded_noise(scene(drawn(3), known), Encoder.of(SRGB), BARE) for known in (True, False))
    assert unsure.sd == pytest.approx(sure.sd, rel=0.05)
    assert (sure.smooth, unsure.smooth) == (1.0, 3.0)
