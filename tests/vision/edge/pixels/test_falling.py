"""How cloth's levels change along its sides, from pixels deeper inside. Drawn from random numbers."""

from __future__ import annotations

import numpy as np

from tests.vision.edge.pixels.test_threads import LONG, sides
from vision.edge.pixels.falling import ANYWHERE_PX, falling
from vision.edge.pixels.windows import Window

TRUE = 1e-4  # a px, of luma: as `sides` has it


def whole(window: Window) -> np.ndarray:
    return np.tile([-LONG / 2.0, LONG / 2.0], (window.count, 1))


def test_a_change_along_the_side_is_told_and_how_sure_that_is() -> None:
    window = sides(0.0, 60)
    (slopes, u) = falling(window, whole(window), 3.5)[:, 0]
    assert abs(slopes.mean() - TRUE) < 4.0 * slopes.std() / np.sqrt(60)
    # Six rows of 240 pixels that are 0.008 off each, by the formula of a straight line through them.
    assert np.allclose(u, 0.008 / np.sqrt(6 * LONG) / (LONG / np.sqrt(12.0)), rtol=0.4)
    assert 0.5 < np.mean(((slopes - TRUE) / u) ** 2) < 1.5


def test_beside_ends_nothing_is_looked_at_and_few_bins_tell_nothing() -> None:
    window = sides(0.0)
    dark = np.abs(window.along_px) > 80.0
    window.seen[0, dark] -= 0.3  # past a corner lies the mat
    assert np.all(np.abs(falling(window, whole(window) / 2.0, 3.5)[0, 0] - TRUE) < 2e-4)
    assert np.all(falling(window, whole(window) / 20.0, 3.5)[1] == ANYWHERE_PX)
