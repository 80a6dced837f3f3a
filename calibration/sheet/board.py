"""The printed sheet: a chessboard with or without markers or a grid of markers, its frame, and its picture.

The sheet frame: origin at the lower-left corner of the printed pattern as printed upright, x right along the
rows, y up the sheet, z towards the viewer. OpenCV's own board frame has y down and z into the sheet.
Corners carry OpenCV's ids. Of a chessboard they are the inner corners, row by row from the top left; of a grid
4 m to 4 m + 3 are those of marker m, clockwise from its top left, markers counted row by row from the top left.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MM_PER_INCH = 25.4  # international inch, exact

FORM = (
    'write it like "charuco:8x6:30mm:22mm:DICT_5X5_100", "chessboard:9x6:25mm" or "grid:4x5:37.5mm:5mm:DICT_6X6_1000"'
)


class BoardError(Exception):
    """The description of a board does not parse; the message says in one line what to write."""


def _inner_corners_mm(across: int, up: int, square_mm: float) -> Floats:
    """(across * up, 2) inner corners in the sheet frame, from the top left, row by row."""
    x, row = np.meshgrid(np.arange(1, across + 1), np.arange(up, 0, -1))
    return np.column_stack([x.ravel(), row.ravel()]).astype(np.float64) * square_mm


def predefined(name: str) -> cv2.aruco.Dictionary:
    """One of OpenCV's dictionaries of markers. Raises BoardError where there is none of that name."""
    if not re.fullmatch(r"DICT_\w+", name) or not hasattr(cv2.aruco, name):
        raise BoardError(f"unknown dictionary {name}; name one of OpenCV's, like DICT_5X5_100")
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def _check_markers(name: str, need: int) -> None:
    have = predefined(name).bytesList.shape[0]
    if need > have:
        raise BoardError(f"{name} has {have} markers, the board needs {need}; take a larger one")


@dataclass(frozen=True, slots=True)
class Chessboard:
    """A plain chessboard. Its size is told in inner corners, as is common for plain boards."""

    corners_x: int
    corners_y: int
    square_mm: float

    def __post_init__(self) -> None:
        if self.corners_x < 3 or self.corners_y < 3 or not self.square_mm > 0:
            raise BoardError(f"a chessboard has at least 3 x 3 inner corners and squares above 0 mm; {FORM}")

    @property
    def corners_sheet_mm(self) -> Floats:
        """(N, 2) inner corners in the sheet frame, by id."""
        return _inner_corners_mm(self.corners_x, self.corners_y, self.square_mm)

    @property
    def step_mm(self) -> float:
        """From one corner to the next."""
        return self.square_mm

    @property
    def clear_mm(self) -> float:
        """How far from a square's edge its inside is plain."""
        return self.square_mm / 2


@dataclass(frozen=True, slots=True)
class Board:
    """A ChArUco board: markers in the white squares, the top-left square black (not the legacy pattern)."""

    squares_x: int = 8
    squares_y: int = 6
    square_mm: float = 30.0
    marker_mm: float = 22.0
    dictionary: str = "DICT_5X5_100"

    def __post_init__(self) -> None:
        predefined(self.dictionary)
        if self.squares_x < 3 or self.squares_y < 3:
            raise BoardError(f"a board of {self.squares_x}x{self.squares_y} squares is too small; give it at least 3x3")
        if not 0 < self.marker_mm < self.square_mm:
            raise BoardError(
                f"markers of {self.marker_mm:g} mm do not fit into squares of {self.square_mm:g} mm; "
                "make them smaller than the squares"
            )
        _check_markers(self.dictionary, self.markers)

    @property
    def markers(self) -> int:
        """How many markers there are; their ids count from 0."""
        return self.squares_x * self.squares_y // 2

    @property
    def corners_sheet_mm(self) -> Floats:
        """(N, 2) inner corners in the sheet frame, by OpenCV's id."""
        return _inner_corners_mm(self.squares_x - 1, self.squares_y - 1, self.square_mm)

    @property
    def marker_corners_sheet_mm(self) -> Floats:
        """(4 * markers, 2) in the sheet frame: 4 m to 4 m + 3 are marker m's, clockwise from its top left."""
        down_mm = np.array([np.reshape(one, (4, 3))[:, :2] for one in self.opencv().getObjPoints()], np.float64)
        return np.asarray(down_mm.reshape(-1, 2) * [1.0, -1.0] + [0.0, self.size_mm[1]])

    @property
    def step_mm(self) -> float:
        """From one corner to the next."""
        return self.square_mm

    @property
    def clear_mm(self) -> float:
        """How far from a square's edge its inside is plain: a marker begins there."""
        return (self.square_mm - self.marker_mm) / 2

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the chessboard."""
        return self.squares_x * self.square_mm, self.squares_y * self.square_mm

    def opencv(self) -> cv2.aruco.CharucoBoard:
        """The same board as OpenCV knows it, in millimetres."""
        return cv2.aruco.CharucoBoard(
            (self.squares_x, self.squares_y), self.square_mm, self.marker_mm, predefined(self.dictionary)
        )


@dataclass(frozen=True, slots=True)
class Grid:
    """Markers in rows and columns with white gaps between them (OpenCV's grid board, ids from 0)."""

    markers_x: int
    markers_y: int
    marker_mm: float
    gap_mm: float
    dictionary: str

    def __post_init__(self) -> None:
        if self.markers_x < 2 or self.markers_y < 2:
            raise BoardError(f"a grid of {self.markers_x}x{self.markers_y} markers is too small; give it at least 2x2")
        if not (self.marker_mm > 0 and self.gap_mm > 0):
            raise BoardError(f"a grid has markers and gaps above 0 mm; {FORM}")
        _check_markers(self.dictionary, self.markers)

    @property
    def markers(self) -> int:
        """How many markers there are; their ids count from 0."""
        return self.markers_x * self.markers_y

    @property
    def step_mm(self) -> float:
        """The larger of the distances between a corner and its neighbours."""
        return max(self.marker_mm, self.gap_mm)

    @property
    def pitch_mm(self) -> float:
        """From one marker to the next."""
        return self.marker_mm + self.gap_mm

    @property
    def cell_mm(self) -> float:
        """Side of one black or white cell of a marker; its border is one cell wide."""
        return self.marker_mm / (predefined(self.dictionary).markerSize + 2)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the pattern, from the outer edge of the first marker to that of the last."""
        return self.markers_x * self.pitch_mm - self.gap_mm, self.markers_y * self.pitch_mm - self.gap_mm

    @property
    def corners_sheet_mm(self) -> Floats:
        """(4 * markers, 2) in the sheet frame, by id."""
        column, row = np.meshgrid(np.arange(self.markers_x), np.arange(self.markers_y))
        left_mm, top_mm = column.ravel() * self.pitch_mm, self.size_mm[1] - row.ravel() * self.pitch_mm
        from_top_left = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, -1.0], [0.0, -1.0]]) * self.marker_mm
        return (np.column_stack([left_mm, top_mm])[:, None, :] + from_top_left).reshape(-1, 2)


Sheet = Board | Chessboard | Grid


@dataclass(frozen=True, eq=False, slots=True)
class SheetPicture:
    """The sheet as a printer should print it: black 0, white 255, first row on top."""

    pixels: NDArray[np.uint8]  # (h, w)
    size_mm: tuple[float, float]  # width and height of the whole picture
    margin_mm: float  # white around the chessboard, on all four sides


def picture(board: Board, px_per_mm: float, margin_mm: float = 15.0) -> SheetPicture:
    """Draw the board, each pixel black or white by where its centre lies; right at any resolution.

    The picture is made of whole pixels; a size that does not divide ends in up to a pixel more of white at
    the right and at the top, so the lower-left margin is exact.
    """
    if not px_per_mm > 0 or not margin_mm >= 0:
        raise ValueError("px_per_mm must be above 0 and margin_mm not below it")
    board_w, board_h = board.size_mm
    w, h = (int(np.ceil((side + 2 * margin_mm) * px_per_mm - 1e-9)) for side in (board_w, board_h))
    x_mm = (np.arange(w) + 0.5) / px_per_mm - margin_mm
    down_mm = board_h + margin_mm - (h - np.arange(h) - 0.5) / px_per_mm
    dark = _dark(board, x_mm, down_mm)
    pixels = np.where(dark, 0, 255).astype(np.uint8)
    return SheetPicture(pixels, (w / px_per_mm, h / px_per_mm), margin_mm)


def _dark(board: Board, x_mm: NDArray[np.floating], down_mm: NDArray[np.floating]) -> NDArray[np.bool_]:
    """(h, w): is the print black at these distances from the chessboard's left and top edges?"""
    column = np.floor(x_mm / board.square_mm).astype(int)[None, :]
    row = np.floor(down_mm / board.square_mm).astype(int)[:, None]
    on_board = (column >= 0) & (column < board.squares_x) & (row >= 0) & (row < board.squares_y)
    black_square = (column + row) % 2 == 0
    bits = marker_bits(board)
    cells = bits.shape[-1]
    cell_x = np.floor((x_mm % board.square_mm - board.clear_mm) * cells / board.marker_mm).astype(int)[None, :]
    cell_y = np.floor((down_mm % board.square_mm - board.clear_mm) * cells / board.marker_mm).astype(int)[:, None]
    in_marker = (cell_x >= 0) & (cell_x < cells) & (cell_y >= 0) & (cell_y < cells)
    # markers are counted through the white squares, row by row from the top left
    marker = np.clip((row * board.squares_x + column) // 2, 0, len(bits) - 1)
    black_cell = bits[marker, np.clip(cell_y, 0, cells - 1), np.clip(cell_x, 0, cells - 1)]
    dark: NDArray[np.bool_] = on_board & (black_square | (in_marker & black_cell))
    return dark


def marker_bits(board: Board) -> NDArray[np.bool_]:
    """(markers, cells, cells): True where a cell is black, the border included."""
    dictionary = predefined(board.dictionary)
    cells = dictionary.markerSize + 2
    return np.stack([dictionary.generateImageMarker(i, cells, borderBits=1) == 0 for i in range(board.markers)])


def parse_board(text: str) -> Sheet:
    """Read what `--board` says.

    `charuco:SQUARES_XxSQUARES_Y:SQUARE:MARKER:DICTIONARY`, `chessboard:CORNERS_XxCORNERS_Y:SQUARE` or
    `grid:MARKERS_XxMARKERS_Y:MARKER:GAP:DICTIONARY`. Lengths carry mm or in. Raises BoardError with what to
    write instead.

    >>> parse_board("charuco:8x6:30mm:22mm:DICT_5X5_100") == Board()
    True
    """
    kind, *parts = [part.strip() for part in text.split(":")]
    if kind == "charuco" and len(parts) == 4:
        x, y = _count(parts[0], text)
        return Board(x, y, _length_mm(parts[1], text), _length_mm(parts[2], text), parts[3])
    if kind == "chessboard" and len(parts) == 2:
        x, y = _count(parts[0], text)
        return Chessboard(x, y, _length_mm(parts[1], text))
    if kind == "grid" and len(parts) == 4:
        x, y = _count(parts[0], text)
        return Grid(x, y, _length_mm(parts[1], text), _length_mm(parts[2], text), parts[3])
    raise BoardError(f'board "{text}" does not parse; {FORM}')


def _count(part: str, text: str) -> tuple[int, int]:
    found = re.fullmatch(r"(\d{1,3})x(\d{1,3})", part)
    if not found:
        raise BoardError(f'board "{text}": "{part}" is not a number across and down; {FORM}')
    return int(found[1]), int(found[2])


def _length_mm(part: str, text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(mm|in)", part)
    if not found:
        raise BoardError(f'board "{text}": "{part}" is not a length with its unit; {FORM}')
    return float(found[1]) * (MM_PER_INCH if found[2] == "in" else 1.0)
