"""Why a board is not found, where the picture can tell: another board or dictionary, an old layout, a mirrored picture.

A sheet printed in another size looks like the right one from another height: no picture tells it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Board, Chessboard, Grid, Sheet, predefined
from calibration.sheet.rough import Rough, chessboard_corners, legacy_charuco, marker_parameters, reduced

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

SEEN = 4  # so many markers of one dictionary are no accident
STRANGERS = 3  # nor so many that the board told does not have
IN_PLACE = 0.7  # share of the markers that lie as told on a board as told, a hand's shadow aside
OFF_STEPS = 0.5  # of a step between markers: further off a marker is not where it was told; a wide lens bends less
LOOKED_AT_PX = 1200  # markers that a person meant to be seen are large enough then
GOES_ON = 0.75  # contrast of a further row's corners, in that of the board's own
VARIED = 0.3  # scatter within a square, in steps from black to white: a marker has 0.4 and more
CLIPPED_LEVEL, CLIPPED_SHARE = 252, 0.15
FINE_PX, COARSE_PX = 1.0, 3.0  # two blurs put on a picture to learn its own
STRONG_PERCENT, FAINT_STEP = 99.0, 2.0  # edges that are asked: the strongest hundredth, above this many levels a pixel
SOFT_PX = 3.0  # nothing in focus is softer

FAMILIES = (
    "DICT_4X4_1000",
    "DICT_5X5_1000",
    "DICT_6X6_1000",
    "DICT_7X7_1000",
    "DICT_ARUCO_ORIGINAL",
    "DICT_ARUCO_MIP_36h12",
    "DICT_APRILTAG_16h5",
    "DICT_APRILTAG_25h9",
    "DICT_APRILTAG_36h11",
)
MEMBERS = (50, 100, 250, 1000)  # of the numbered families; the smaller ones are the first of the larger


@dataclass(frozen=True, slots=True)
class Mistake:
    """A short code, and "what is seen: what to do"."""

    why: str  # another_board, another_dictionary, legacy, mirrored, overexposed, blurred
    do: str


def wrong_size(dim: Grey, board: Sheet, rough: Rough) -> Mistake | None:
    """Whether what was found belongs to a larger board than was told."""
    if len(rough.strangers) >= STRANGERS and not isinstance(board, Chessboard):
        most = f"marker {rough.strangers[-1]} is seen, the board told ends with {board.markers - 1}"
        return Mistake("another_board", f"{most}: tell its own size with --board")
    if isinstance(board, Chessboard) and len(rough.ids) > 0:
        return _other_squares(dim, board, rough.px)
    return None


def _other_squares(dim: Grey, board: Chessboard, px: Floats) -> Mistake | None:
    if _goes_on(dim, board, px):
        told = f"{board.corners_x}x{board.corners_y} inner corners were told"
        return Mistake("another_board", f"the chessboard goes on where {told}: count its inner corners for --board")
    if _holds_markers(dim, board, px):
        return Mistake("another_board", "there are markers in its squares: tell it as charuco with --board")
    return None


def what_is_wrong(dim: Grey, board: Sheet, rough: Rough) -> Mistake | None:
    """Why a search failed, if the picture tells. Takes longer than the search: for pictures that failed."""
    small, _ = reduced(dim, LOOKED_AT_PX)
    if isinstance(board, Chessboard):
        found = _markers_seen(small) or _other_chessboard(small, board)
    elif rough.markers >= SEEN:
        found = _other_layout(dim, board, rough)
    else:
        found = _other_markers(small, board)
    return found or _light_or_focus(dim, rough)


def _light_or_focus(dim: Grey, rough: Rough) -> Mistake | None:
    if rough.markers == 0 and np.mean(dim >= CLIPPED_LEVEL) > CLIPPED_SHARE:
        return Mistake("overexposed", "much of the picture is clipped: darken the camera or the lamp")
    if _sharpest_px(dim) > SOFT_PX:
        return Mistake("blurred", "nothing in the picture is sharp: hold the sheet still, focus the camera")
    return None


def _sharpest_px(dim: Grey) -> float:
    """Blur (standard deviation) of the strongest edges, px; 0 where there are none.

    An edge blurred by b and then by s has its steepest slope in proportion to 1 / sqrt(b b + s s): two s tell b.
    """
    fine, coarse = (_steepness(cv2.GaussianBlur(dim, (0, 0), s).astype(np.float32)) for s in (FINE_PX, COARSE_PX))
    strong = coarse >= max(float(np.percentile(coarse[::2, ::2], STRONG_PERCENT)), FAINT_STEP)
    if not strong.any():
        return 0.0
    ratio2 = float(np.median(fine[strong]) / np.median(coarse[strong])) ** 2
    b2 = (COARSE_PX**2 - ratio2 * FINE_PX**2) / max(ratio2 - 1.0, 1e-3)
    return float(np.sqrt(max(b2, 0.0)))


def _steepness(smooth: NDArray[np.float32]) -> NDArray[np.float32]:
    by_row, by_column = np.gradient(smooth)
    return np.asarray(np.hypot(by_row, by_column))


def _other_layout(dim: Grey, board: Board | Grid, rough: Rough) -> Mistake | None:
    """The right markers, lying otherwise than told."""
    if isinstance(board, Board) and len(legacy_charuco(dim, board).ids) > len(rough.ids):
        return Mistake("legacy", 'the sheet has OpenCV\'s older ("legacy") layout: print one with chalkbeam sheet')
    ids, px = _detected(dim, board.dictionary)
    if _in_place(board, ids, px) < IN_PLACE:
        return Mistake("another_board", "its markers do not lie as told: tell the board's kind and size with --board")
    return None


def _in_place(board: Board | Grid, ids: NDArray[np.int64], px: Floats) -> float:
    """Share of the markers seen that one homography carries to where they were told to be."""
    ours = ids < board.markers
    if ours.sum() <= SEEN:
        return 1.0  # four markers are always carried
    told_mm = _marker_centres_mm(board)[ids[ours]]
    centres_px = px[ours].mean(axis=1)
    step_mm = board.pitch_mm if isinstance(board, Grid) else board.square_mm
    h, carried = cv2.findHomography(centres_px, told_mm, cv2.RANSAC, OFF_STEPS * step_mm)
    return 0.0 if h is None else float(np.mean(carried))


def _marker_centres_mm(board: Board | Grid) -> Floats:
    if isinstance(board, Grid):
        return np.asarray(board.corners_sheet_mm.reshape(-1, 4, 2).mean(axis=1))
    corners_mm = np.array([np.reshape(one, (4, 3)) for one in board.opencv().getObjPoints()], float)
    return np.asarray(corners_mm.mean(axis=1)[:, :2])


def _other_markers(small: Grey, board: Board | Grid) -> Mistake | None:
    flipped, _ = _detected(np.ascontiguousarray(small[:, ::-1]), board.dictionary)
    if len(flipped) >= SEEN:
        return Mistake("mirrored", "the camera's picture is mirrored: switch its mirroring off")
    seen = _dictionary_seen(small)
    if seen is None or _family(seen) == _family(board.dictionary):
        return None
    told = f"markers of {seen} are seen, {board.dictionary} was told"
    return Mistake("another_dictionary", f"{told}: tell the sheet's own with --board")


def _markers_seen(small: Grey) -> Mistake | None:
    seen = _dictionary_seen(small)
    if seen is None:
        return None
    told = f"markers of {seen} are seen, a plain chessboard was told"
    return Mistake("another_board", f"{told}: tell the sheet's own kind with --board")


def _family(dictionary: str) -> str:
    return re.sub(r"(?<=X\d)_\d+$", "", dictionary.upper())


def _dictionary_seen(small: Grey) -> str | None:
    """The dictionary, of those in common use, that most markers in the picture belong to."""
    seen = {family: _detected(small, family)[0] for family in FAMILIES}
    family = max(seen, key=lambda one: len(seen[one]))
    ids = seen[family]
    if len(ids) < SEEN:
        return None
    member = min(count for count in MEMBERS if count > ids.max())
    return family.replace("_1000", f"_{member}")


def _detected(dim: Grey, dictionary: str) -> tuple[NDArray[np.int64], Floats]:
    """Ids (M,) and corners (M, 4, 2) of the markers seen, each id once."""
    corners, ids, _ = cv2.aruco.ArucoDetector(predefined(dictionary), marker_parameters()).detectMarkers(dim)
    if ids is None or len(ids) == 0:
        return np.empty(0, np.int64), np.empty((0, 4, 2))
    numbers, first = np.unique(np.ravel(ids), return_index=True)
    return numbers.astype(np.int64), np.array(corners, float).reshape(-1, 4, 2)[first]


def _other_chessboard(small: Grey, board: Chessboard) -> Mistake | None:
    """Boards a row or two larger or smaller than told."""
    for x, y in _near_sizes(board.corners_x, board.corners_y):
        other = Chessboard(x, y, board.square_mm)
        px = chessboard_corners(small, other)
        if px is not None and not _goes_on(small, other, px):
            told = f"{x}x{y} inner corners are seen, {board.corners_x}x{board.corners_y} were told"
            return Mistake("another_board", f"{told}: tell its own number with --board")
    return None


def _near_sizes(across: int, down: int) -> Iterator[tuple[int, int]]:
    steps = ((i, j) for i in range(-2, 3) for j in range(-2, 3) if 0 < abs(i) + abs(j) <= 2)
    for i, j in sorted(steps, key=lambda step: abs(step[0]) + abs(step[1])):
        if min(across + i, down + j) >= 3:
            yield across + i, down + j


def _goes_on(dim: Grey, board: Chessboard, px: Floats) -> bool:
    """Whether a further row or column of corners lies beyond those found, on any side.

    At the rim of a chessboard two squares meet the same margin: the contrast across such a corner is half.
    """
    wider = px.reshape(board.corners_y, board.corners_x, 2)
    for axis in (0, 1):
        wider = _extended(wider.swapaxes(0, axis)).swapaxes(0, axis)
    contrast = _crossing(dim, wider)
    own = np.median(contrast[1:-1, 1:-1])
    sides = (contrast[0, 1:-1], contrast[-1, 1:-1], contrast[1:-1, 0], contrast[1:-1, -1])
    return any(np.median(side) > GOES_ON * own for side in sides)


def _holds_markers(dim: Grey, board: Chessboard, px: Floats) -> bool:
    """Whether every other square is anything but plain."""
    grid = px.reshape(board.corners_y, board.corners_x, 2)
    inner = np.linspace(0.25, 0.75, 6)[:, None, None, None]
    upper = grid[:-1, :-1] + inner * (grid[:-1, 1:] - grid[:-1, :-1])
    lower = grid[1:, :-1] + inner * (grid[1:, 1:] - grid[1:, :-1])
    levels = np.stack([_level(dim, upper + share * (lower - upper)) for share in inner.ravel()])
    varied = levels.std(axis=(0, 1))
    colour = np.indices(varied.shape).sum(axis=0) % 2 == 0
    step = abs(levels[:, :, colour].mean() - levels[:, :, ~colour].mean())
    return bool(max(np.median(varied[colour]), np.median(varied[~colour])) > VARIED * step)


def _extended(rows: Floats) -> Floats:
    """A row more at either end, as far on as the last two are apart."""
    return np.concatenate([[2 * rows[0] - rows[1]], rows, [2 * rows[-1] - rows[-2]]])


def _crossing(dim: Grey, grid: Floats) -> Floats:
    """(rows, columns): how much brighter one pair of opposite squares is than the other at each corner."""
    along, up = np.gradient(grid, axis=1) / 4, np.gradient(grid, axis=0) / 4
    levels = [_level(dim, grid + a * along + b * up) for a, b in ((1, 1), (-1, -1), (1, -1), (-1, 1))]
    return np.abs(levels[0] + levels[1] - levels[2] - levels[3])


def _level(dim: Grey, px: Floats) -> Floats:
    at = px.astype(np.float32)
    flat = at.reshape(-1, 1, 2)
    seen = cv2.remap(dim, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return seen.astype(float).reshape(px.shape[:-1])
