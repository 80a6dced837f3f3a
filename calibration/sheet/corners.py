"""Find the printed sheet in a picture: which corners are seen, and where to a hundredth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.light import grey, linear_grey
from calibration.sheet.board import Board, Grid, Sheet
from calibration.sheet.completing import completed
from calibration.sheet.fitting import FEWEST_CORNERS, fitted
from calibration.sheet.ink import without_ink
from calibration.sheet.lattice import torn
from calibration.sheet.mistaken import Mistake, what_is_wrong, wrong_size
from calibration.sheet.rough import Rough, detector, search
from calibration.sheet.saddle import Saddles
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]

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
    linear = linear_grey(picture, tone)
    mistake = wrong_size(dim, board, rough)
    if mistake is None and isinstance(board, Board):
        rough = completed(linear, board, rough)
    if mistake is None and _too_few(rough, board):
        mistake = what_is_wrong(dim, board, rough) or _hidden(len(rough.ids), board)
    if mistake is not None:
        return Refused(name, mistake.why, mistake.do)
    sheet_mm = board.corners_sheet_mm[rough.ids]
    return _judge(name, rough.ids, sheet_mm, fitted(linear, board, rough), board)


def sheet_in_sight(picture: NDArray[np.uint8], board: Sheet) -> bool:
    """Whether anything of the sheet is seen, be it sharp or not, whole or half hidden."""
    found = detector(board)(grey(picture))
    return found.markers > 0 or len(found.ids) > 0


def _too_few(rough: Rough, board: Sheet) -> bool:
    seen_mm = board.corners_sheet_mm[rough.ids]
    return (
        len(rough.ids) < FEWEST_CORNERS or np.ptp(seen_mm, axis=0).min() == 0 or torn(seen_mm, rough.px, board.step_mm)
    )


def _hidden(seen: int, board: Sheet) -> Mistake:
    counted = f"{seen} of {len(board.corners_sheet_mm)} corners seen"
    return Mistake("hidden", f"{counted}: show the whole sheet, without a hand or glare")


def _judge(name: str, ids: NDArray[np.int64], sheet_mm: Floats, fit: Saddles, board: Sheet) -> SheetView | Refused:
    good = fit.good
    white = float(np.nanmedian(fit.white))
    if white > CLIPPED:  # first: clipped edges also look hard or soft
        return Refused(name, "overexposed", "its white is clipped: darken the camera or the lamp")
    if good.sum() < FEWEST_CORNERS or np.median(fit.blur_px[good]) > BLURRED_PX:
        return Refused(name, "blurred", "its edges are soft: hold the sheet still, focus the camera")
    px = fit.corners_px[good]
    if isinstance(board, Grid):
        px = without_ink(board, ids[good], px)
    blur_px = float(np.median(fit.blur_px[good]))
    return SheetView(name, ids[good], sheet_mm[good], px, fit.corners_u_px[good], blur_px, white)


def apart_px(one: SheetView, other: SheetView) -> float:
    """How far the sheet went from one view to the other: RMS over the corners seen in both, px; inf if none.

    Says whether a sheet lies still, and whether it lies at a new place.
    """
    _, first, second = np.intersect1d(one.ids, other.ids, return_indices=True)
    if len(first) == 0:
        return float("inf")
    away = one.corners_px[first] - other.corners_px[second]
    return float(np.sqrt(np.mean(np.sum(away**2, axis=1))))
