"""Sharpening told and undone. Outside reference of the mask: `scipy.ndimage.gaussian_filter`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from vision.edge.model.mask import Sharpening


@pytest.mark.parametrize(("amount", "radius_px"), [(0.2, 0.6), (0.8, 1.0), (1.5, 1.0), (0.8, 2.0)])
def test_what_a_mask_did_is_undone(amount: float, radius_px: float) -> None:
    rows, columns = np.mgrid[0:80, 0:90]
    before = np.where(rows * 0.3 + columns > 55, 0.8, 0.3) + 0.05 * np.sin(columns / 3.0)
    after = before + amount * (before - gaussian_filter(before, radius_px))
    undone = Sharpening(amount, radius_px).undone(after.astype(np.float32))
    assert np.abs(after - before).max() > 0.04 * amount
    assert np.abs(undone - before)[10:-10, 10:-10].max() < 0.004
