"""Medians against NumPy's and, for neighbours in a row, `scipy.ndimage`'s."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter

from vision.medians import median, medians, running_medians


@pytest.mark.parametrize("count", [1, 2, 5, 8, 301])
def test_medians_are_numpys(count: int) -> None:
    values = np.random.default_rng(count).normal(size=(count, 3))
    assert median(values[:, 1]) == pytest.approx(float(np.median(values[:, 1])), abs=1e-15)
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-15)
    assert medians(values) == pytest.approx(np.median(values, axis=0), abs=1e-15)


@pytest.mark.parametrize("size", [1, 5, 15])
def test_running_medians_are_scipys(size: int) -> None:
    values = np.random.default_rng(size).normal(size=(3, 40))
    expected = [median_filter(row, size, mode="nearest") for row in values]
    assert np.array_equal(running_medians(values, size), expected)
