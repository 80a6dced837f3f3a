"""aruco-grid: github.com/abakisita/camera_calibration; black squares on white paper, of known size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.vision.photographed import lens_of, measured

FOLDER = Path(__file__).parents[2] / "fixtures" / "photographs" / "aruco-grid"
BY_HAND_MM, BY_FILE_MM = 37.5, 42.5 * 196 / 221  # as the maker measured the print; as his file has it, at his pitch


def test_black_squares_on_paper_have_their_size():
    _, views = lens_of(FOLDER)
    each = [measured(FOLDER, view) for view in views]
    sides = np.array([one.widths_mm.mean() for one in each])
    assert all(len(one.widths_mm) == 40 for one in each)
    assert sides.mean() == pytest.approx(BY_HAND_MM, abs=0.2)
    # How dark edges on light are drawn apart: the file is the better witness, the ink's own spread not being known.
    assert sides.mean() == pytest.approx(BY_FILE_MM, abs=0.06)
    assert sides.std() < 0.05  # the same print in every picture
    across, up = (np.concatenate([one.outer_mm[axis] for one in each]).mean() for axis in (0, 1))
    assert across == pytest.approx(3 * 42.5 + BY_HAND_MM, abs=0.5)
    assert up == pytest.approx(4 * 42.5 + BY_HAND_MM, abs=0.5)
