"""Where a board's corners are to about a pixel: OpenCV's detectors, helped in large, dim and unevenly lit pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.sheet.board import Board, Chessboard, Grid, Sheet, predefined
from calibration.sheet.lattice import mirrored

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

ENOUGH = 0.9  # of all corners: then a picture need not be searched again in another way
HARDLY_ANY = 0.25
SEARCHED_PX = 2000  # larger pictures are searched reduced; a marker that counts is large enough then
ENLARGED_PX = 1300  # smaller pictures are also searched enlarged
SMALLEST_MARKER = 0.02  # its perimeter in sides of the picture; OpenCV's own 0.03 passes over small ones
DIM = 110  # a picture whose brightest hundredth is below this is stretched first
BLACK_POINT, WHITE_POINT = 1, 99  # percentiles


NO_IDS, NO_PX = np.empty(0, np.int64), np.empty((0, 2))


@dataclass(frozen=True, eq=False, slots=True)
class Rough:
    """Corners found, by id, to about a pixel; and ids of markers that the board does not have."""

    ids: NDArray[np.int64]  # (N,)
    px: Floats  # (N, 2)
    strangers: tuple[int, ...] = ()
    markers: int = 0  # markers of the told dictionary seen, whether of the board or not
    anchor_ids: NDArray[np.int64] = field(default_factory=NO_IDS.copy)  # (M,) 4 m + k of markers in squares
    anchors_px: Floats = field(default_factory=NO_PX.copy)  # (M, 2) corner k of marker m, clockwise from its top left

    def scaled(self, by: float) -> Rough:
        """The same in a picture `by` times as large; the first pixel's centre is (0, 0) in both."""
        return replace(self, px=(self.px + 0.5) * by - 0.5, anchors_px=(self.anchors_px + 0.5) * by - 0.5)


NOTHING = Rough(NO_IDS, NO_PX)


def search(dim: Grey, board: Sheet) -> Rough:
    """Search the picture (h, w) in one way after the other; what finds most corners counts, and most markers."""
    look = detector(board)
    best, read, count = NOTHING, NOTHING, len(board.corners_sheet_mm)
    for attempt, by, enough in _attempts(dim):
        if len(best.ids) >= enough * count:
            break
        found = look(attempt).scaled(by)
        best = found if len(found.ids) > len(best.ids) else best
        read = found if found.markers > read.markers else read
    return replace(read, ids=best.ids, px=best.px)


def reduced(dim: Grey, most_px: int = SEARCHED_PX) -> tuple[Grey, float]:
    """The picture with its longer side at most about `most_px`, and how many times it was larger."""
    by = int(np.ceil(max(dim.shape) / most_px))
    if by == 1:
        return dim, 1.0
    h, w = (side // by * by for side in dim.shape)  # whole blocks, so that pixels lie where `scaled` puts them
    small = cv2.resize(dim[:h, :w], (w // by, h // by), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), float(by)


def _attempts(dim: Grey) -> Iterator[tuple[Grey, float, float]]:
    """Pictures to search, how many times larger the true one is, and the share of corners that makes it needless."""
    small, by = reduced(dim)
    low, high = np.percentile(small[::4, ::4], [BLACK_POINT, WHITE_POINT])
    small = stretched(small, low, high) if high < DIM else small
    yield small, by, ENOUGH
    if by > 1:
        yield dim, 1.0, ENOUGH
    yield np.asarray(cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(small), np.uint8), by, ENOUGH
    if max(small.shape) <= ENLARGED_PX:  # markers of a few pixels a cell are read better when drawn out
        yield np.asarray(cv2.resize(small, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), np.uint8), by / 2, ENOUGH
    for most_px in (max(small.shape) // 2, max(small.shape) // 4):  # soft or noisy: coarser pixels see it sooner
        coarse, more = reduced(small, most_px)
        yield coarse, by * more, HARDLY_ANY


def stretched(dim: Grey, low: float, high: float) -> Grey:
    """Grey levels from `low` to `high` spread over the whole scale."""
    spread = (dim.astype(np.float32) - low) * (255.0 / max(high - low, 8.0))
    return np.asarray(np.clip(spread, 0, 255), np.uint8)


def detector(board: Sheet) -> Callable[[Grey], Rough]:
    """The search for a board of this kind in a grey picture."""
    if isinstance(board, Board):
        return _charuco(board)
    if isinstance(board, Grid):
        return _grid(board)
    return lambda dim: _chessboard(dim, board)


def marker_parameters() -> cv2.aruco.DetectorParameters:
    """OpenCV's own, but for small markers."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = SMALLEST_MARKER
    return parameters


def _charuco(board: Board, legacy: bool = False) -> Callable[[Grey], Rough]:
    theirs = board.opencv()
    theirs.setLegacyPattern(legacy)
    search_for = cv2.aruco.CharucoDetector(theirs, cv2.aruco.CharucoParameters(), marker_parameters())

    def look(dim: Grey) -> Rough:
        corners, ids, markers_px, markers = search_for.detectBoard(dim)
        strangers, count = _counted(markers, board.markers)
        anchors = _of_board(markers, markers_px, board.markers)
        if ids is None or len(ids) == 0:
            return Rough(NO_IDS, NO_PX, strangers, count, *anchors)
        return Rough(ids.ravel().astype(np.int64), corners.reshape(-1, 2).astype(float), strangers, count, *anchors)

    return look


def _grid(board: Grid) -> Callable[[Grey], Rough]:
    search_for = cv2.aruco.ArucoDetector(predefined(board.dictionary), marker_parameters())

    def look(dim: Grey) -> Rough:
        corners, markers, _ = search_for.detectMarkers(dim)
        return Rough(*_of_board(markers, corners, board.markers), *_counted(markers, board.markers))

    return look


def _of_board(
    markers: ArrayLike | None, corners_px: Sequence[ArrayLike], have: int
) -> tuple[NDArray[np.int64], Floats]:
    """Ids (4 M,) and pixels (4 M, 2) of the corners of the board's own markers, each marker once."""
    if markers is None or len(corners_px) == 0:
        return NO_IDS, NO_PX
    numbers, first = np.unique(np.ravel(markers).astype(np.int64), return_index=True)
    ours = numbers < have
    px = np.array(corners_px, float).reshape(-1, 4, 2)[first[ours]]
    return (numbers[ours, None] * 4 + np.arange(4)).ravel(), px.reshape(-1, 2)


def _counted(markers: ArrayLike | None, have: int) -> tuple[tuple[int, ...], int]:
    seen = [] if markers is None else sorted({int(one) for one in np.ravel(markers)})
    return tuple(one for one in seen if one >= have), len(seen)


def legacy_charuco(dim: Grey, board: Board) -> Rough:
    """The board searched as OpenCV laid it out before 4.6: the top-left square white where the rows are even."""
    return _charuco(board, legacy=True)(dim)


def _chessboard(dim: Grey, board: Chessboard) -> Rough:
    px = chessboard_corners(dim, board)
    return NOTHING if px is None else Rough(np.arange(len(px), dtype=np.int64), px)


def chessboard_corners(dim: Grey, board: Chessboard) -> Floats | None:
    """All inner corners of a plain chessboard (N, 2), by id; None where they are not all found."""
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(dim, (board.corners_x, board.corners_y), flags=flags)
    if not found:
        return None
    px = np.asarray(corners, float).reshape(-1, 2)
    if mirrored(board.corners_sheet_mm, px):  # a chessboard has no hand: the detector may count from the wrong end
        px = px.reshape(board.corners_y, board.corners_x, 2)[:, ::-1].reshape(-1, 2)
    return px
