"""The rough look between measurements: cloth, an arm, words in the light, noise. Pictures are drawn here."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.tone import SRGB
from vision.finding.glimpse import bare_of, glimpse, small_size

SIZE = (270, 480)


def mat(rng=None, noise=0.0, level=60):
    rng = rng or np.random.default_rng(0)
    return np.clip(np.rint(level + rng.normal(0.0, noise, (*SIZE, 3))), 0, 255).astype(np.uint8)


def bare(noise):
    rng = np.random.default_rng(1)
    return bare_of([mat(rng, noise) for _ in range(8)], SRGB)


@pytest.mark.parametrize("noise", [0.0, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("steps", [0, 1])
def test_noise_and_a_step_of_rounding_are_no_cloth(noise, steps) -> None:
    """With little noise most bytes never change: a median of differences is 0 and would make cloth of every step."""
    rng, known = np.random.default_rng(2), bare(noise)
    for _ in range(20):
        frame = mat(rng, noise)
        frame[100:140, 200:240] += np.uint8(steps)
        assert glimpse(frame, known, SRGB, 100.0).outlines_px == ()


def test_cloth_is_seen_and_an_arm_that_reaches_in_is_told_from_it() -> None:
    frame = mat()
    frame[100:140, 200:240] = 90
    seen = glimpse(frame, bare(0.5), SRGB, 400.0)
    assert len(seen.outlines_px) == 1
    assert np.allclose(seen.outlines_px[0].mean(axis=0), [219.5, 119.5], atol=1.0)
    assert not seen.reached
    frame[200:, 300:330] = 120
    seen = glimpse(frame, bare(0.5), SRGB, 400.0)
    assert (len(seen.outlines_px), seen.reached) == (1, True)


def test_a_lamp_that_flickers_changes_nothing() -> None:
    assert glimpse(mat(level=64), bare(0.5), SRGB, 100.0).outlines_px == ()


def test_words_are_no_cloth_and_cloth_on_them_is_one_piece() -> None:
    written = np.zeros(SIZE, bool)
    written[50:58, 100:300] = True
    frame = mat()
    frame[52:56, 100:300:2] = 200
    assert glimpse(frame, bare(0.5), SRGB, 100.0, written).outlines_px == ()
    frame[34:74, 150:190] = 90
    frame[52:56, 100:300:2] = 220
    assert len(glimpse(frame, bare(0.5), SRGB, 100.0, written).outlines_px) == 1


def test_the_small_picture_is_as_wide_as_said_or_as_the_frame() -> None:
    assert small_size((1920, 1080)) == (480, 270)
    assert small_size((320, 240)) == (320, 240)
