"""The light across a rim: without a wall the error function, with one what geometry says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from vision.rim import Rim, profile

D = np.linspace(-6.0, 6.0, 241) + 0.003


@pytest.mark.parametrize("blur", [0.45, 0.757, 0.8, 1.3, 2.0])
def test_thin_cloth_is_a_blurred_step(blur):
    cloth, mat, slope, _ = profile(Rim(0.0, 0.0, 0.25, 0.5), blur).at_all(D)
    # a hundredth of a pixel of offset would be 0.009 at a blur of 0.45
    assert cloth == pytest.approx(norm.cdf(-D / blur), abs=1e-3)
    assert mat == pytest.approx(norm.cdf(D / blur), abs=5e-3)
    assert slope == pytest.approx(-norm.pdf(D / blur) / blur, abs=5e-3)
    # where the half of the light is, the edge is: to a thousandth of a pixel, at any blur
    assert np.interp(0.5, cloth[::-1], D[::-1]) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("wall_light", [0.0, 0.25, 1.0])
def test_a_wall_that_is_seen_adds_its_light(wall_light):
    # areas under the profile: wall_light times the wall's width of cloth, as much less mat as the wall is wide
    plain = profile(Rim(1e-9, 0.0, wall_light, 0.0), 0.8).at_all(D)
    walled = profile(Rim(1e-9, 0.3, wall_light, 0.0), 0.8).at_all(D)
    step = D[1] - D[0]
    assert np.sum(walled[0] - plain[0]) * step == pytest.approx(0.3 * wall_light, abs=2e-3)
    assert np.sum(plain[1] - walled[1]) * step == pytest.approx(0.3, abs=2e-3)


def test_the_shadow_at_the_foot_of_a_wall():
    # Form factor of a long strip (handbooks of radiation): at distance x of a wall of height h, an even sky loses
    # (1 - x / sqrt(x^2 + h^2)) / 2 of its light. Summed over all x that is h / 2.
    shadow = profile(Rim(0.7, 0.0, 0.25, 0.0), 0.8).mat - profile(Rim(0.7, 0.0, 0.25, 1.0), 0.8).mat
    step, reach = 0.04, 14.0
    beyond = 0.5 * (np.hypot(reach, 0.7) - reach)  # the tail that the table does not reach
    assert np.sum(shadow) * step == pytest.approx(0.7 / 2 - beyond, abs=0.01)
