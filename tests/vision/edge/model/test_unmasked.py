"""How luma across an edge follows a mask that was another than the one undone: held against filters of SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from calibration.tone import SRGB
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.light import FIRST_PX, STEP_PX
from vision.edge.model.mask import Sharpening
from vision.edge.model.unmasked import PLACE_PX, changes

Floats = NDArray[np.float64]

ENCODER = Encoder.of(SRGB)
STEPS_PX = FIRST_PX + STEP_PX * np.arange(479)
CLOTH, MAT = np.array([[0.6, 0.5, 0.4]]), np.array([[0.08, 0.09, 0.1]])
SHARE = ndtr(-STEPS_PX / 0.757)
PLACES_PX = STEPS_PX[::2]
ROOM = 200  # steps beyond, for filters


def luma_at(places_px: Floats) -> Floats:
    share = ndtr(-places_px / 0.757)[:, None]
    return np.asarray(ENCODER.encode(CLOTH * share + MAT * (1.0 - share))[0] @ YCC_OF_BGR[0])


def masked(luma: Floats, strength: float, radius_px: float) -> Floats:
    blurred = gaussian_filter1d(luma, radius_px / PLACE_PX, mode="nearest", truncate=6.0)
    return np.asarray(luma + strength / radius_px**2 * (luma - blurred))


def undone(seen: Floats, mask: Sharpening) -> Floats:
    """By fixed-point steps, as `Sharpening.undone` does to pictures."""
    before = seen
    for _ in range(60):
        blurred = gaussian_filter1d(before, mask.radius_px / PLACE_PX, mode="nearest", truncate=6.0)
        before = (seen + mask.amount * blurred) / (1.0 + mask.amount)
    return before


@pytest.mark.parametrize(("amount", "radius_px"), [(0.8, 1.0), (0.45, 0.7), (1.3, 1.6)])
def test_luma_follows_a_mask_that_was_another_than_the_one_undone(amount: float, radius_px: float) -> None:
    mask = Sharpening(amount, radius_px)
    tables = np.stack([SHARE, 1.0 - SHARE])[None].astype(np.float32)
    by_strength, by_log_radius, _ = changes(mask, tables, CLOTH, MAT, ENCODER)[0]
    luma = luma_at(FIRST_PX + PLACE_PX * np.arange(-ROOM, len(PLACES_PX) + ROOM))
    s, little, middle = mask.strength, 1e-3, slice(ROOM, -ROOM)
    other = [
        undone(masked(luma, s + little, radius_px), mask)[middle],
        undone(masked(luma, s, radius_px * (1 + little)), mask)[middle],
    ]
    inside = np.abs(PLACES_PX) < 6.0
    for change, after in zip((by_strength, by_log_radius), other, strict=True):
        expected = (after - luma[middle]) / little
        assert np.abs(expected).max() > 0.005
        assert np.abs(change - expected)[inside].max() < 0.02 * np.abs(expected).max()


def test_an_even_level_follows_no_mask() -> None:
    tables = np.ones((1, 2, 479), np.float32) * np.array([[1.0], [0.0]], np.float32)
    follows = changes(Sharpening(0.8, 1.0), tables, CLOTH, MAT, ENCODER)
    assert follows.shape[:2] == (1, 3)
    assert np.abs(follows).max() < 1e-6
