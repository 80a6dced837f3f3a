"""Encoded luma and colours, against OpenCV's and the published formulas."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.tone import SRGB
from vision.edge.model.encoding import BGR_OF_YCC, YCC_OF_BGR, Encoder


def test_luma_and_colours_are_those_of_bt_601() -> None:
    # ITU-R BT.601-7, 2.5.1 and 2.5.2: E'Y = 0.299 R + 0.587 G + 0.114 B, (B - Y) / 1.772, (R - Y) / 1.402.
    bgr = np.random.default_rng(1).uniform(0.0, 1.0, (3, 50))
    luma, blue, red = YCC_OF_BGR @ bgr
    assert luma == pytest.approx(0.299 * bgr[2] + 0.587 * bgr[1] + 0.114 * bgr[0], abs=1e-9)
    assert blue == pytest.approx((bgr[0] - luma) / 1.772, abs=1e-5)
    assert red == pytest.approx((bgr[2] - luma) / 1.402, abs=1e-5)
    assert BGR_OF_YCC @ YCC_OF_BGR @ bgr == pytest.approx(bgr, abs=1e-12)


def test_luma_and_colours_are_opencvs() -> None:
    # OpenCV rounds the colours' factors to 0.564 and 0.713 and puts grey at 0.5.
    bgr = np.random.default_rng(2).uniform(0.0, 1.0, (1, 40, 3)).astype(np.float32)
    theirs = cv2.cvtColor(bgr, cv2.COLOR_BGR2YCrCb)[0].astype(np.float64)
    ours = bgr[0].astype(np.float64) @ YCC_OF_BGR.T
    assert ours[:, 0] == pytest.approx(theirs[:, 0], abs=1e-5)
    assert ours[:, 1] == pytest.approx(theirs[:, 2] - 0.5, abs=1e-3)
    assert ours[:, 2] == pytest.approx(theirs[:, 1] - 0.5, abs=1e-3)


def test_the_tone_curve_is_srgbs() -> None:
    # IEC 61966-2-1: 12.92 x up to 0.0031308, then 1.055 x^(1 / 2.4) - 0.055.
    light = np.linspace(0.0, 1.0, 2001)
    by_hand = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1.0 / 2.4) - 0.055)
    encoder = Encoder.of(SRGB)
    encoded, slope = encoder.encode(light)
    assert encoded == pytest.approx(by_hand, abs=5e-4)
    assert encoder.decode(encoded) == pytest.approx(light, abs=2e-4)
    middle = (light > 0.02) & (light < 0.98)
    by_formula = 1.055 / 2.4 * light[middle] ** (1.0 / 2.4 - 1.0)
    assert slope[middle] == pytest.approx(by_formula, rel=0.05)  # the curve is straight from byte to byte


def test_what_is_beyond_the_range_is_clipped() -> None:
    encoder = Encoder.of(SRGB)
    assert encoder.encode(np.array([-0.2, 1.7]))[0] == pytest.approx([0.0, 1.0], abs=1e-3)
