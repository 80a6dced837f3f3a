"""Find the printed sheet in a picture: which corners are seen, and where to a hundredth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import grey, linear_grey
from calibration.sheet.board import Grid, Sheet
from calibration.sheet.ink import without_ink
from calibration.sheet.lattice import local_shape, torn
from calibration.sheet.markers import fit_marker_corners
from calibration.sheet.mistaken import Mistake, what_is_wrong, wrong_size
from calibration.sheet.rough import Rough, detector, search
from calibration.sheet.saddle import Saddles, fit_saddles
from calibration.tone import SRGB, Tone

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
    blur_px: float = float("nan")  # median over the corners: standard deviation of an edge's blur, pixel included
    white: float = float("nan")  # median level of the paper beside the corners, linear light


@dataclass(frozen=True, slots=True)
class Refused:
    """A picture that is not used: a short code, and what the person can do."""

    name: str
    why: str  # hidden, blurred, overexposed, or a code of `mistaken.py`
    do: str


def find_sheet(picture: NDArray[np.uint8], board: Sheet, name: str = "", tone: Tone = SRGB) -> SheetView | Refused:
    """Find the board in a picture.

    Parameters
    ----------
    picture : (h, w) or (h, w, 3) uint8
        Grey or blue green red, the camera's tone curve not undone.
    board : Board, Chessboard or Grid
    name : str
        What the picture is called in results.
    tone : Tone
        The camera's tone curve: corners are fitted in linear light.
    """
    dim = grey(picture)
    rough = search(dim, board)
    mistake = wrong_size(dim, board, rough)
    if mistake is None and _too_few(rough, board):
        mistake = what_is_wrong(dim, board, rough) or _hidden(len(rough.ids), board)
    if mistake is not None:
        return Refused(name, mistake.why, mistake.do)
    sheet_mm = board.corners_sheet_mm[rough.ids]
    linear = linear_grey(picture, tone)
    fitted = _fitted(linear, board, rough)
    return _judge(name, rough.ids, sheet_mm, fitted, board)


def sheet_in_sight(picture: NDArray[np.uint8], board: Sheet) -> bool:
    """Whether anything of the sheet is seen, be it sharp or not, whole or half hidden."""
    found = detector(board)(grey(picture))
    return found.markers > 0 or len(found.ids) > 0


def _too_few(rough: Rough, board: Sheet) -> bool:
    seen_mm = board.corners_sheet_mm[rough.ids]
    return (
        len(rough.ids) < FEWEST_CORNERS or np.ptp(seen_mm, axis=0).min() == 0 or torn(seen_mm, rough.px, _step(board))
    )


def _step(board: Sheet) -> float:
    """The larger of the distances between a corner and its neighbours, mm."""
    return board.marker_mm if isinstance(board, Grid) else board.square_mm


def _hidden(seen: int, board: Sheet) -> Mistake:
    counted = f"{seen} of {len(board.corners_sheet_mm)} corners seen"
    return Mistake("hidden", f"{counted}: show the whole sheet, without a hand or glare")


def _fitted(linear: NDArray[np.float32], board: Sheet, rough: Rough) -> Saddles:
    """Fit all corners twice: with straight edges, then bent as the corners of the first fit tell."""
    sheet_mm, bends = board.corners_sheet_mm[rough.ids], np.zeros_like(rough.px)
    first = _fit(linear, board, sheet_mm, rough.px, bends)
    good = first.good
    if good.sum() < FEWEST_CORNERS or np.linalg.matrix_rank(sheet_mm[good] - sheet_mm[good][0]) < 2:
        return first
    shape = local_shape(sheet_mm[good], first.corners_px[good], _step(board))
    bends[good] = np.column_stack([shape.along_bend, shape.up_bend])
    return _fit(linear, board, sheet_mm, np.where(good[:, None], first.corners_px, rough.px), bends)


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


def _judge(name: str, ids: NDArray[np.int64], sheet_mm: Floats, fitted: Saddles, board: Sheet) -> SheetView | Refused:
    good = fitted.good
    white = float(np.nanmedian(fitted.white))
    if white > CLIPPED:  # first: clipped edges also look hard or soft
        return Refused(name, "overexposed", "its white is clipped: darken the camera or the lamp")
    if good.sum() < FEWEST_CORNERS or np.median(fitted.blur_px[good]) > BLURRED_PX:
        return Refused(name, "blurred", "its edges are soft: hold the sheet still, focus the camera")
    px = fitted.corners_px[good]
    if isinstance(board, Grid):
        px = without_ink(board, ids[good], px)
    blur_px = float(np.median(fitted.blur_px[good]))
    return SheetView(name, ids[good], sheet_mm[good], px, fitted.corners_u_px[good], blur_px, white)


def apart_px(one: SheetView, other: SheetView) -> float:
    """How far the sheet went from one view to the other: RMS over the corners seen in both, px; inf if none.

    Says whether a sheet lies still, and whether it lies at a new place.
    """
    _, first, second = np.intersect1d(one.ids, other.ids, return_indices=True)
    if len(first) == 0:
        return float("inf")
    away = one.corners_px[first] - other.corners_px[second]
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1))))
