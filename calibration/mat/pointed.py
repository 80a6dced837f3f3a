"""Something small that was laid on the mat to point a place out: a button, a coin, a fingertip."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.mat.flatmap import linear
from calibration.mat.frame import NotFound
from calibration.pinhole import Pinhole
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEAST_MM, MOST_MM = 4.0, 45.0  # across
ROUND = 0.55  # of its hull's circle that it fills
CLEARLY = 8.0  # times the noise of the difference
LEAST_CHANGE = 0.01  # of full light
AGAIN = "lay one small round thing on the corner, hands away, light as before"


def pointed_px(picture: Picture, bare: Picture, camera: Pinhole, tone: Tone = SRGB) -> Floats | NotFound:
    """The middle (2,) of the one compact thing that `picture` shows and the `bare` mat's picture does not.

    Both (h, w) or (h, w, 3) uint8 in the same light. The middle is that of its area, weighted by how much it
    changed in linear light, so that pixels half covered count half.
    """
    change = np.abs(linear(picture, tone) - linear(bare, tone)).max(axis=2)
    smooth = cv2.GaussianBlur(change, (0, 0), 1.5)
    least = max(CLEARLY * float(np.median(smooth)), LEAST_CHANGE)
    count, labels, stats, middles = cv2.connectedComponentsWithStats((smooth > least).astype(np.uint8))
    found = [k for k in range(1, count) if _is_small_and_round(labels == k, stats[k], middles[k], camera)]
    if not found:
        return NotFound("nothing small and round is seen that was not there before", AGAIN)
    if len(found) > 1:
        return NotFound(f"{len(found)} small things are seen that were not there before", AGAIN)
    return _middle_px(change, labels == found[0])


def _is_small_and_round(mask: NDArray[np.bool_], stats: NDArray[np.int32], middle: Floats, camera: Pinhole) -> bool:
    there = camera.mat_from_px(middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    cell_mm2 = abs(float(np.linalg.det(there[1:] - there[0])))
    width_mm = 2.0 * np.sqrt(float(stats[cv2.CC_STAT_AREA]) * cell_mm2 / np.pi)
    if not LEAST_MM <= width_mm <= MOST_MM:
        return False
    points = np.column_stack(np.nonzero(mask)[::-1]).astype(np.float32)
    _, radius = cv2.minEnclosingCircle(points)
    return len(points) >= ROUND * np.pi * radius**2


def _middle_px(change: NDArray[np.float32], mask: NDArray[np.bool_]) -> Floats:
    """Weighted by the change, which is cut off at its median so that a shiny spot or print pulls nothing."""
    near = cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    weights = np.minimum(change, float(np.median(change[mask]))) * near
    y, x = np.nonzero(near)
    w = weights[y, x].astype(float)
    return np.array([np.average(x, weights=w), np.average(y, weights=w)])
