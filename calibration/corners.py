"""Find the printed sheet in a picture: which corners are seen, and where to a hundredth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import grey, linear_grey
from calibration.saddle import Saddles, fit_saddles
from calibration.sheet import Board, Chessboard

Floats = NDArray[np.float64]

FEWEST_CORNERS = 8  # below that a view holds its own pose and hardly anything more
REACH_SQUARES = 0.45  # an edge ends, blurred, half way to the next corner
BLUR_MARGIN_PX = 2.0  # a marker's rim shines this far past its border
BLURRED_PX = 3.0  # edges softer than this are not in focus, or moved
CLIPPED = 0.98  # linear light of a white that has met the end of the scale


@dataclass(frozen=True, eq=False, slots=True)
class SheetView:
    """The sheet as one picture shows it."""

    name: str
    ids: NDArray[np.int64]  # (N,) OpenCV's corner ids
    corners_sheet_mm: Floats  # (N, 2) in the sheet frame
    corners_px: Floats  # (N, 2)
    corners_u_px: Floats  # (N,) standard uncertainty per axis, from the pixels' scatter alone


@dataclass(frozen=True, slots=True)
class Refused:
    """A picture that is not used: a short code, and what the person can do."""

    name: str
    why: str  # hidden, blurred, overexposed
    do: str


def find_sheet(picture: NDArray[np.uint8], board: Board | Chessboard, name: str = "") -> SheetView | Refused:
    """Find the board in a grey (h, w) or blue green red (h, w, 3) picture, its sRGB curve not undone."""
    dim = grey(picture)
    ids, rough_px = _charuco(dim, board) if isinstance(board, Board) else _chessboard(dim, board)
    if len(ids) < FEWEST_CORNERS or np.ptp(board.corners_sheet_mm[ids], axis=0).min() == 0:
        seen = f"{len(ids)} of {len(board.corners_sheet_mm)} corners seen"
        return Refused(name, "hidden", f"{seen}: show the whole sheet, without a hand or glare")
    sheet_mm = board.corners_sheet_mm[ids]
    along_px, up_px = _square_sides_px(sheet_mm, rough_px, board.square_mm)
    saddles = _refine(linear_grey(picture), board, rough_px, along_px, up_px)
    return _judge(name, ids, sheet_mm, saddles)


def sheet_in_sight(picture: NDArray[np.uint8], board: Board) -> bool:
    """Whether any marker of the sheet is seen, be it sharp or not, whole or half hidden."""
    _, _, _, markers = cv2.aruco.CharucoDetector(board.opencv()).detectBoard(grey(picture))
    return markers is not None and len(markers) > 0


def _refine(
    linear: NDArray[np.float32], board: Board | Chessboard, rough_px: Floats, along_px: Floats, up_px: Floats
) -> Saddles:
    side_px = float(np.median(np.hypot(*np.concatenate([along_px, up_px]).T)))
    # on a small sheet the margin may leave nothing: then the blur is taken in rather than the corner lost
    clear = max(board.clear_mm / board.square_mm - BLUR_MARGIN_PX / side_px, 0.5 * board.clear_mm / board.square_mm)
    return fit_saddles(linear, rough_px, along_px, up_px, clear, REACH_SQUARES)


def _judge(name: str, ids: NDArray[np.int64], sheet_mm: Floats, saddles: Saddles) -> SheetView | Refused:
    good = saddles.good
    if np.nanmedian(saddles.white) > CLIPPED:  # first: clipped edges also look hard or soft
        return Refused(name, "overexposed", "its white is clipped: darken the camera or the lamp")
    if good.sum() < FEWEST_CORNERS or np.median(saddles.blur_px[good]) > BLURRED_PX:
        return Refused(name, "blurred", "its edges are soft: hold the sheet still, focus the camera")
    return SheetView(name, ids[good], sheet_mm[good], saddles.corners_px[good], saddles.corners_u_px[good])


def _charuco(dim: NDArray[np.uint8], board: Board) -> tuple[NDArray[np.int64], Floats]:
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board.opencv()).detectBoard(dim)
    if ids is None or len(ids) == 0:
        return np.empty(0, np.int64), np.empty((0, 2))
    return ids.ravel().astype(np.int64), corners.reshape(-1, 2).astype(float)


def _chessboard(dim: NDArray[np.uint8], board: Chessboard) -> tuple[NDArray[np.int64], Floats]:
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(dim, (board.corners_x, board.corners_y), flags=flags)
    if not found:
        return np.empty(0, np.int64), np.empty((0, 2))
    corners_px = corners.reshape(-1, 2).astype(float)
    return np.arange(len(corners_px), dtype=np.int64), corners_px


def _square_sides_px(sheet_mm: Floats, rough_px: Floats, square_mm: float) -> tuple[Floats, Floats]:
    """What one square's side is in the picture at each corner: slopes of the view's own homography."""
    h = np.asarray(cv2.findHomography(sheet_mm, rough_px)[0], float)
    top = sheet_mm @ h[:2, :2].T + h[:2, 2]
    bottom = sheet_mm @ h[2, :2] + h[2, 2]
    slopes = (h[None, :2, :2] * bottom[:, None, None] - top[:, :, None] * h[None, None, 2, :2]) / (
        bottom[:, None, None] ** 2
    )
    return slopes[:, :, 0] * square_mm, slopes[:, :, 1] * square_mm


def apart_px(one: SheetView, other: SheetView) -> float:
    """How far the sheet went from one view to the other: RMS over the corners seen in both, px; inf if none.

    Says whether a sheet lies still, and whether it lies at a new place.
    """
    _, first, second = np.intersect1d(one.ids, other.ids, return_indices=True)
    if len(first) == 0:
        return float("inf")
    away = one.corners_px[first] - other.corners_px[second]
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1))))
