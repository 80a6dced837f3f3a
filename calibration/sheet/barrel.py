"""How much a wide lens bends the picture, as one view of the sheet shows it: rough, but known before any solve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]

USUAL = 0.15  # barrel of usual lenses at the ends of the picture's width: the prior's standard deviation
MOST = 0.3  # one that bends more turns back on itself within the picture
ROUGH_PX = 0.1  # what corners are off a plane's picture for other reasons: paper that is not flat


@dataclass(frozen=True, slots=True)
class Barrel:
    """The division model: a straight picture is the seen one, each point moved from the middle by 1 / (1 - share r^2).

    Source: A. W. Fitzgibbon, "Simultaneous linear estimation of multiple view geometry and lens distortion", 2001.
    r is 1 at half the picture's width.
    """

    share: float  # by which the picture is drawn in at r = 1; 0 for straight lines
    size_px: tuple[int, int]

    @property
    def _middle_px(self) -> Floats:
        return (np.array(self.size_px, float) - 1.0) / 2.0

    def straight(self, points_px: Floats) -> Floats:
        """Points (N, 2) as seen, to where a lens without distortion has them."""
        away = (np.asarray(points_px, float) - self._middle_px) / (self.size_px[0] / 2.0)
        scale = 1.0 / np.maximum(1.0 - self.share * np.sum(away**2, axis=-1, keepdims=True), 0.1)
        return np.asarray(self._middle_px + away * scale * (self.size_px[0] / 2.0))

    def bent(self, points_px: Floats) -> Floats:
        """The way back.

        >>> barrel = Barrel(0.2, (1920, 1080))
        >>> barrel.bent(barrel.straight(np.array([[100.0, 1000.0]]))).round(6).tolist()
        [[100.0, 1000.0]]
        """
        away = (np.asarray(points_px, float) - self._middle_px) / (self.size_px[0] / 2.0)
        # R = r / (1 - share r^2), R the straight radius: the root that goes through 0
        inside = np.maximum(1.0 + 4.0 * self.share * np.sum(away**2, axis=-1, keepdims=True), 0.0)
        return np.asarray(self._middle_px + away * 2.0 / (1.0 + np.sqrt(inside)) * (self.size_px[0] / 2.0))


def barrel_of(view: SheetView, size_px: tuple[int, int]) -> Barrel:
    """The barrel that makes one view of a flat sheet the picture of a plane, as far as it tells."""
    if len(view.ids) <= 4:
        return Barrel(0.0, size_px)

    def cost(share: float) -> float:
        straight = Barrel(share, size_px).straight(view.corners_px)
        return off_plane(view.corners_sheet_mm, straight) / ROUGH_PX**2 + (share / USUAL) ** 2

    found = minimize_scalar(cost, bounds=(-MOST, MOST), method="bounded", options={"xatol": 1e-6})
    return Barrel(float(found.x), size_px)


def off_plane(points_mm: Floats, px: Floats) -> float:
    """Sum of squared pixels by which points (N, 2) are off their best homography (N > 4; linear, in middled units)."""
    (a, _), (b, size) = _middled(points_mm), _middled(px)
    one = np.column_stack([a, np.ones(len(a))])
    rows = np.zeros((2 * len(a), 9))
    rows[0::2, 0:3] = rows[1::2, 3:6] = one
    rows[0::2, 6:], rows[1::2, 6:] = -b[:, :1] * one, -b[:, 1:] * one
    homography = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    there = one @ homography.T
    return float(np.sum((there[:, :2] / there[:, 2:] - b) ** 2)) * size**2


def _middled(points: Floats) -> tuple[Floats, float]:
    middled = points - points.mean(axis=0)
    size = float(np.sqrt(np.mean(np.sum(middled**2, axis=1)) / 2.0))
    return middled / size, size
