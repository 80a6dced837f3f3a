"""What errors and their uncertainties are scored by, against closed forms; and one calibration as a person has it."""

import numpy as np
import pytest

from tests.measure.calibration import calibrated
from tests.measure.tables import KINDS, aligned_covariances, mat_grid, misses_mm


def test_a_rigid_motion_is_no_error() -> None:
    points, c, s = mat_grid(), np.cos(0.3), np.sin(0.3)
    moved = points @ np.array([[c, s], [-s, c]]) + [40.0, -7.0]
    assert np.abs(misses_mm(moved, points)).max() < 1e-9


def test_a_stretch_is_an_error() -> None:
    """1 in a thousand about the middle: half the mat's diagonal of 1099.0 mm gives 0.55 mm at the corners."""
    points = mat_grid()
    assert np.hypot(*misses_mm(1.001 * points, points).T).max() == pytest.approx(0.5495, abs=1e-3)


def test_a_mirror_image_is_not_aligned_away() -> None:
    points = mat_grid()
    assert np.abs(misses_mm(points * [-1.0, 1.0], points)).max() > 100.0


def test_covariances_after_the_alignment_are_those_of_aligned_draws() -> None:
    """Monte Carlo: errors drawn from a covariance, aligned one by one, scatter as stated (4 000 draws: within 5 %)."""
    rng, points = np.random.default_rng(1), mat_grid(4, 3)
    root = 0.01 * rng.normal(size=(24, 6))
    stated = aligned_covariances(points, root @ root.T)
    drawn = np.stack([misses_mm(points + (root @ rng.normal(size=6)).reshape(-1, 2), points) for _ in range(4000)])
    scatter = np.einsum("dni,dnj->nij", drawn, drawn) / len(drawn)
    assert np.trace(scatter, axis1=1, axis2=2) == pytest.approx(np.trace(stated, axis1=1, axis2=2), rel=0.1)
    assert np.trace(stated, axis1=1, axis2=2).sum() < np.trace(root @ root.T)


def test_an_ordinary_table_is_calibrated_as_well_as_promised() -> None:
    """Camera to mat 0.03 mm RMS and 0.1 mm at worst, projected points 0.08 and 0.25 mm, over the whole mat."""
    result = calibrated(11, KINDS["plain"])
    assert not result.why
    assert result.camera is not None
    assert result.projector is not None
    assert result.camera.rms_mm <= 0.03
    assert result.camera.worst_mm <= 0.1
    assert result.projector.rms_mm <= 0.08
    assert result.projector.worst_mm <= 0.25
    assert result.baseline_mm is not None
    assert result.camera.rms_mm < result.baseline_mm
