"""The light about a wedge's tip: its share of a pixel beside SciPy's bivariate normal integral, and its slopes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from calibration.tone import SRGB
from vision.blocks.wedge import PARTS, REACHES
from vision.edge.model.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder
from vision.edge.model.seamlight import NORMAL, Camera
from vision.edge.model.wedgelight import WedgePlaces, share_of, wedge_seen

Floats = NDArray[np.float64]
BLUR_PX = 0.8


@pytest.mark.parametrize("angle_deg", [22.5, 30.0, 60.0, 90.0])
def test_share_of_a_pixel_is_the_bivariate_normal_integral(angle_deg: float) -> None:
    """As far from the tip as pixels are asked, two and a half blurs' width, and about either edge there."""
    together = -math.cos(math.radians(angle_deg))
    along_px = 2.5 * BLUR_PX / (2.0 * math.sin(math.radians(angle_deg / 2.0)))
    for off_px in np.linspace(-2.5, 2.5, 11):
        # A place as far along the middle of the wedge, and so far to its left.
        half = math.radians(angle_deg / 2.0)
        a, b = (-along_px * math.sin(half) + way * off_px * math.cos(half) for way in (1.0, -1.0))
        true = multivariate_normal.cdf([-a / BLUR_PX, -b / BLUR_PX], cov=[[1.0, together], [together, 1.0]])
        assert share_of(a, b, BLUR_PX, together, NORMAL)[0] == pytest.approx(true, abs=0.01)


def test_slopes_are_those_of_the_light() -> None:
    rng = np.random.default_rng(3)
    across, lever = rng.uniform(-4.0, 2.0, (2, 60)), rng.uniform(-20.0, 20.0, (2, 60))
    places = WedgePlaces(across, lever, np.zeros(60, np.int64), -math.cos(math.radians(80.0)))
    levels = np.array([[[0.3], [-0.05], [0.1]], [[0.7], [0.02], [-0.03]]])
    encoder = Encoder.of(SRGB)
    tables = encoder.linear, encoder.encoded, encoder.slope, NORMAL
    camera = Camera(1.0, REACHES, PARTS, YCC_OF_BGR, np.array(BGR_OF_YCC, np.float64), *tables)
    unknown = np.array([0.1, 0.002, -0.2, 0.001, BLUR_PX, 1.1])
    slopes = wedge_seen(places, unknown, levels, camera).slopes
    for k, step in enumerate((1e-3, 1e-4, 1e-3, 1e-4, 1e-3, 1e-3)):
        moved = [wedge_seen(places, unknown + way * step * np.eye(6)[k], levels, camera).seen for way in (1.0, -1.0)]
        by_difference = (moved[0] - moved[1]) / (2.0 * step)
        size = float(np.max(np.abs(by_difference)))
        # The share is a short series, its slopes are exact.
        np.testing.assert_allclose(slopes[k], by_difference, atol=0.05 * size)
