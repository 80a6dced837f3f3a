"""checker-ruler: github.com/sick-appspace-samples/MultiShotCalibration2D; five of ten views and the working plane."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.calibration.lens.ruler import camera_of, distances_mm

FOLDER = Path(__file__).parents[3] / "fixtures" / "photographs" / "checker-ruler"


def test_a_ruler_reads_right():
    # The ruler itself is the source: its long marks stand at 5, 10, 15 and 20 cm.
    told, u = distances_mm(FOLDER)
    off = told - [50.0, 50.0, 50.0, 150.0]
    assert abs(off[3]) < 0.5
    assert np.all(np.abs(off) < 2 * u)
    assert u[3] < 0.35  # or "within 2 u" says nothing
    assert np.ptp(told[:3]) < 0.3  # no scale hides here: one step against the other


def test_the_rulers_camera():
    # OpenCV on its own corners of all ten views: fx 2328.0, fy 2329.7, c (524.2, 525.3), plane 440 mm away
    device = camera_of(FOLDER).device
    u = np.sqrt(np.diag(device.covariance))[:4]
    off = np.array([*device.pinhole.lens.focal_px, *device.pinhole.lens.centre_px]) - [2328.0, 2329.7, 524.2, 525.3]
    assert np.all(np.abs(off) < 3 * np.hypot([1.4, 1.4, 2.3, 2.3], u))
    assert float(device.pinhole.lens_mat_mm[2]) == pytest.approx(440.0, abs=5.0)
