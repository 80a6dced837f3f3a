"""Ink that spreads, or light that does: all edges of a printed marker move outward alike, and that is taken back."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Grid
from calibration.sheet.lattice import local_shape

Floats = NDArray[np.float64]

FEWEST_MARKERS = 4  # with fewer, size and lens are not told apart
CUBIC_MARKERS = 8
OUTWARD = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])  # of a marker's corners, sheet axes


def without_ink(board: Grid, ids: NDArray[np.int64], px: Floats) -> Floats:
    """Corners (N, 2) as they would be if each marker had the size told against the pitch told.

    What a lens does to a view is smooth over the sheet; what ink does turns its sign from corner to corner. So
    the corners are fitted with a homography, a smooth remainder and one common growth, and the growth is taken
    away: scale then rests on the markers' pitch alone, which no printer's ink moves.
    """
    growth_mm, outward_px = _growth(board, ids, px)
    return px - growth_mm * outward_px


def growth_mm(board: Grid, ids: NDArray[np.int64], px: Floats) -> float:
    """How far outward of the sizes told the edges of the markers are seen, mm; 0 where too few are seen."""
    return _growth(board, ids, px)[0]


def _growth(board: Grid, ids: NDArray[np.int64], px: Floats) -> tuple[float, Floats]:
    sheet_mm = board.corners_sheet_mm[ids]
    shape = local_shape(sheet_mm, px, board.marker_mm)
    outward_px = shape.along * OUTWARD[ids % 4, :1] + shape.up * OUTWARD[ids % 4, 1:]
    markers = len(np.unique(ids // 4))
    if markers < FEWEST_MARKERS:
        return 0.0, outward_px
    h, _ = cv2.findHomography(sheet_mm, px)
    off = px - cv2.perspectiveTransform(sheet_mm[:, None], h)[:, 0]
    smooth = _smooth(sheet_mm, degree=3 if markers >= CUBIC_MARKERS else 2)
    slots = np.zeros_like(smooth)
    rows = np.concatenate([np.hstack([smooth, slots]), np.hstack([slots, smooth])])
    rows = np.column_stack([rows, outward_px.T.ravel()])
    return float(np.linalg.lstsq(rows, off.T.ravel(), rcond=None)[0][-1]), outward_px


def _smooth(sheet_mm: Floats, degree: int) -> Floats:
    """(N, K) polynomials over the sheet, its middle 0 and its rim about 1."""
    x, y = ((sheet_mm - sheet_mm.mean(axis=0)) / np.ptp(sheet_mm, axis=0).max() * 2).T
    return np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])
