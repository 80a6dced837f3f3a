"""Resampled pictures against the theory of sampling, and light that adds up. All pictures are computed.

Two grids of scales 1 and s beat with a period of 1 / |1 - s| pixels (sampling theory; e.g. R. N. Bracewell, "The
Fourier Transform and Its Applications", on aliasing). sRGB's curve is IEC 61966-2-1's.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.lamplight.beats import BLOCK_PX, MOST_LOSS, Resampling, block_losses, resampling

Floats32 = NDArray[np.float32]
SIZE = (720, 480)


def light(encoded: NDArray[np.floating], power: float | None = None) -> Floats32:
    """Linear light of encoded values 0 to 1: sRGB, or a power."""
    e = np.asarray(encoded, np.float64)
    srgb = np.where(e <= 0.04045, e / 12.92, ((e + 0.055) / 1.055) ** 2.4)
    return (srgb if power is None else e**power).astype(np.float32)


def checker(cell: int, counterpart: int) -> Floats32:
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    return ((x // cell + y // cell + counterpart) % 2).astype(np.float32)


def thrown(encoded: Floats32, scale: float = 1.0, angle: float = 0.0, power: float | None = None) -> Floats32:
    """What a camera without noise sees, pixel on pixel, of a projector that scales and turns its picture bilinearly."""
    matrix = cv2.getRotationMatrix2D(((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), angle, scale)
    shown = encoded if (scale, angle) == (1.0, 0.0) else cv2.warpAffine(encoded, matrix, SIZE, flags=cv2.INTER_LINEAR)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    mat = 0.1 + 0.4 * (x % 40 == 0) + 0.05 * np.sin(y / 90.0)  # grid lines, stains
    seen = cv2.GaussianBlur(light(shown, power), (0, 0), 0.8)
    return np.asarray(mat * (0.15 + (1.0 - 0.3 * x / SIZE[0]) * seen), np.float32)


def judged(**how: float) -> Resampling:
    pairs = [(thrown(checker(cell, 0), **how), thrown(checker(cell, 1), **how)) for cell in (1, 2, 48)]
    found = resampling(*pairs)
    assert found is not None
    return found


@pytest.mark.parametrize("power", [None, 1.8, 2.6])
def test_light_of_a_native_picture_adds_up_whatever_the_curve(power: float | None) -> None:
    found = judged() if power is None else judged(power=power)
    assert abs(found.single) < 1e-3
    assert abs(found.double) < 1e-3
    assert found.native


@pytest.mark.parametrize("how", [{"scale": 1.01}, {"scale": 0.97}, {"scale": 1.05}, {"scale": 1.2}, {"angle": 0.5}])
@pytest.mark.parametrize("power", [None, 1.8, 2.6])
def test_a_resampled_picture_loses_light(how: dict[str, float], power: float | None) -> None:
    found = judged(**how) if power is None else judged(**how, power=power)
    assert not found.native
    assert found.single > 2 * MOST_LOSS
    assert found.double < found.single


def test_light_comes_and_goes_with_the_beat_of_the_two_grids() -> None:
    """Columns of single pixels, scaled by s = 1.005 along x: the loss has a period of 1 / |1 - 1/s| = 201 panel pixels.

    At the worst place, halfway between pixels, what is left is 2 f(1/2) / f(1) = 0.428, f being sRGB's curve.
    """
    scale = 1.005
    u = (np.arange(SIZE[0]) - (SIZE[0] - 1) / 2) / scale + (SIZE[0] - 1) / 2
    below = np.floor(u).astype(int)
    part = u - below
    first = (below % 2) * (1 - part) + ((below + 1) % 2) * part
    left = light(first) + light(1 - first)
    spectrum = np.abs(np.fft.rfft((left - left.mean()) * np.hanning(len(left)), 16 * len(left)))
    assert 1 / np.fft.rfftfreq(16 * len(left))[spectrum.argmax()] == pytest.approx(1 / (1 - 1 / scale), rel=0.03)
    assert left.min() == pytest.approx(2 * float(light(np.array(0.5))), abs=0.005)


def test_a_camera_curve_that_is_not_srgb_is_no_resampling() -> None:
    """An S-curve over the camera's values shifts middle light against dark and white, but coarse and fine alike."""

    def seen(plane: Floats32) -> Floats32:
        value = np.where(plane <= 0.0031308, plane * 12.92, 1.055 * plane ** (1 / 2.4) - 0.055)
        return light(value - 0.4 * np.sin(2 * np.pi * value) / (2 * np.pi))

    pairs = [(seen(thrown(checker(cell, 0))), seen(thrown(checker(cell, 1)))) for cell in (1, 2, 48)]
    found = resampling(*pairs)
    assert found is not None
    assert abs(found.single) > 0.05  # so it is worth asking
    assert found.native


def test_only_blocks_in_the_light_count() -> None:
    lit = np.zeros(SIZE[::-1], np.float32)
    lit[: 10 * BLOCK_PX, : 10 * BLOCK_PX] = 1.0
    pair = thrown(checker(48, 0)) * lit, thrown(checker(48, 1)) * lit
    assert 60 < len(block_losses(pair, pair)) <= 100
    dark = np.zeros_like(lit), np.zeros_like(lit)
    assert resampling(dark, dark, dark) is None
