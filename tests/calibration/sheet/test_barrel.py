"""How much a lens bends the picture, from one view. What the lens does is OpenCV's `projectPoints`."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.sheet.barrel import Barrel, barrel_of, off_plane
from calibration.sheet.corners import SheetView

SIZE_PX = (1920, 1080)
X, Y = np.meshgrid(30.0 * np.arange(1, 8), 30.0 * np.arange(1, 6))
SHEET_MM = np.column_stack([X.ravel(), Y.ravel()])


def seen(k1: float, points_mm: np.ndarray, noise_px: float = 0.0) -> np.ndarray:
    """Points (N, 2) of a plane 1000 mm below a camera that looks at (120, 90), tilted by 6 degrees."""
    matrix = np.array([[1700.0, 0, 959.5], [0, 1700.0, 539.5], [0, 0, 1]])
    about = np.column_stack([points_mm - [120.0, 90.0], np.zeros(len(points_mm))])
    px, _ = cv2.projectPoints(about, np.array([0.1, 0, 0]), np.array([0, 0, 1000.0]), matrix, np.array([k1, 0, 0, 0]))
    return px.reshape(-1, 2) + np.random.default_rng(1).normal(0, noise_px, (len(points_mm), 2))


def view(px: np.ndarray) -> SheetView:
    return SheetView("", np.arange(len(px)), SHEET_MM, px, np.full(len(px), 0.02))


@pytest.mark.parametrize("k1", [-0.35, -0.15])
def test_the_far_corner_of_the_mat_is_foretold_from_one_view_in_its_middle(k1):
    far = np.array([[-300.0, -180.0], [540.0, 360.0]])
    px = seen(k1, SHEET_MM, 0.02)
    barrel = barrel_of(view(px), SIZE_PX)
    without, _ = cv2.findHomography(SHEET_MM, px)
    straightened, _ = cv2.findHomography(SHEET_MM, barrel.straight(px))
    plainly = cv2.perspectiveTransform(far[None], without)[0]
    foretold = barrel.bent(cv2.perspectiveTransform(far[None], straightened)[0])
    away, away_plainly = (np.hypot(*(there - seen(k1, far)).T) for there in (foretold, plainly))
    assert np.all(away < 0.4 * away_plainly)


def test_a_pinhole_has_none():
    assert abs(barrel_of(view(seen(0.0, SHEET_MM, 0.02)), SIZE_PX).share) < 0.01


@pytest.mark.parametrize("share", [-0.1, 0.0, 0.25])
def test_there_and_back(share):
    barrel, px = Barrel(share, SIZE_PX), np.array([[3.0, 5.0], [1900.0, 540.0], [959.5, 539.5]])
    assert barrel.bent(barrel.straight(px)) == pytest.approx(px)


def test_what_is_off_a_plane_counts_in_squared_pixels():
    px = seen(0.0, SHEET_MM)
    assert off_plane(SHEET_MM, px) == pytest.approx(0.0, abs=1e-9)
    noise = np.random.default_rng(2).normal(0, 0.1, px.shape)
    assert off_plane(SHEET_MM, px + noise) == pytest.approx(0.1**2 * (noise.size - 8), rel=0.4)
