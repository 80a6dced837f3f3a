"""The Sobol sequence, against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from vision.sobol import MOST_DIMENSIONS, sobol


@pytest.mark.parametrize("dimensions", [1, 7, MOST_DIMENSIONS])
def test_the_points_are_scipys(dimensions: int) -> None:
    theirs = qmc.Sobol(dimensions, scramble=False).random(4096)
    assert np.array_equal(sobol(dimensions, 4096), theirs)
