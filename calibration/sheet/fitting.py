"""The corners of one view, from about a pixel to a hundredth: whichever fit the kind of board asks for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Grid, Sheet
from calibration.sheet.lattice import local_shape
from calibration.sheet.markers import fit_marker_corners
from calibration.sheet.rough import Rough
from calibration.sheet.saddle import Saddles, fit_saddles

Floats = NDArray[np.float64]

FEWEST_CORNERS = 8  # below that a view holds its own pose and hardly anything more
REACH_SQUARES = 0.45  # an edge ends, blurred, half way to the next corner
BLUR_MARGIN_PX = 2.0  # a marker's rim shines this far past its border


def fitted(linear: NDArray[np.float32], board: Sheet, rough: Rough) -> Saddles:
    """Fit all corners twice: with straight edges, then bent as the corners of the first fit tell."""
    sheet_mm, bends = board.corners_sheet_mm[rough.ids], np.zeros_like(rough.px)
    first = fit_straight(linear, board, sheet_mm, rough.px)
    good = first.good
    if good.sum() < FEWEST_CORNERS or np.linalg.matrix_rank(sheet_mm[good] - sheet_mm[good][0]) < 2:
        return first
    shape = local_shape(sheet_mm[good], first.corners_px[good], board.step_mm)
    bends[good] = np.column_stack([shape.along_bend, shape.up_bend])
    return _fit(linear, board, sheet_mm, np.where(good[:, None], first.corners_px, rough.px), bends)


def fit_straight(linear: NDArray[np.float32], board: Sheet, sheet_mm: Floats, px: Floats) -> Saddles:
    """Fit corners (N, 2) of the sheet from starts (N, 2) in the picture, their edges taken as straight."""
    return _fit(linear, board, sheet_mm, px, np.zeros_like(px))


def _fit(linear: NDArray[np.float32], board: Sheet, sheet_mm: Floats, px: Floats, bends: Floats) -> Saddles:
    """Fit all corners from starts (N, 2); bends (N, 2) of the lines along the sheet's x and y."""
    if isinstance(board, Grid):
        cell, gap = board.cell_mm / board.marker_mm, board.gap_mm / board.marker_mm
        return fit_marker_corners(linear, px.reshape(-1, 4, 2), cell, gap, bends.reshape(-1, 4, 2))
    shape = local_shape(sheet_mm, px, board.square_mm)
    along_px, up_px = shape.along * board.square_mm, shape.up * board.square_mm
    side_px = float(np.median(np.hypot(*np.concatenate([along_px, up_px]).T)))
    # on a small sheet the margin may leave nothing: then the blur is taken in rather than the corner lost
    clear = max(board.clear_mm / board.square_mm - BLUR_MARGIN_PX / side_px, 0.5 * board.clear_mm / board.square_mm)
    return fit_saddles(linear, px, along_px, up_px, clear, REACH_SQUARES, (bends[:, 0], bends[:, 1]))
