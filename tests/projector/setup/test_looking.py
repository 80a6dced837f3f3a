"""Mean pictures encoded again, against NumPy's own search in the middles between bytes' lights."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.tone import SRGB, Tone
from projector.setup.looking import encoded


def flat_in_parts() -> Tone:
    """A curve that stands still in places, as a measured one may."""
    light = np.sort(np.random.default_rng(5).uniform(size=256))
    light[:20], light[100:110], light[-3:] = 0.0, light[100], 1.0
    return Tone(light, "drawn")


@pytest.mark.parametrize("tone", [SRGB, Tone(np.linspace(0.0, 1.0, 256) ** 2.4, "drawn"), flat_in_parts()])
def test_light_takes_the_byte_that_is_nearest(tone: Tone) -> None:
    middles = (0.5 * (tone.linear_of_byte[1:] + tone.linear_of_byte[:-1])).astype(np.float32)
    drawn = np.random.default_rng(6).uniform(size=100_000).astype(np.float32)
    beside = [np.nextafter(middles, np.float32(side)) for side in (0.0, 1.0)]
    light = np.concatenate([drawn, middles, *beside, tone.table, np.array([0.0, 1.0], np.float32)])
    assert encoded(light, tone).tolist() == np.searchsorted(middles, light).tolist()
    assert encoded(light.reshape(-1, 1), tone).dtype == np.uint8
