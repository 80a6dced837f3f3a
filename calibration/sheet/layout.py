"""Where things lie on the printed sheet: the paper, the board, and two check bars at right angles.

The page frame: origin at the paper's lower-left corner as the sheet is read, x right, y up, mm.

The bars share a corner, their zero, at the lower left of the board: one runs along the lower edge, one up the
left edge. A bar's length is that from the middle of its first line to the middle of its last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.sheet.board import MM_PER_INCH, Board

# Width and height, upright: A sizes by ISO 216, the others by ANSI/ASME Y14.1 or as offices in the US have it.
PAPERS_MM = {"letter": (215.9, 279.4), "a4": (210.0, 297.0), "a3": (297.0, 420.0), "legal": (215.9, 355.6)}
IN_INCHES = ("letter", "legal")  # whose bars end at a whole number of quarter inches, not of 5 mm

EDGE_MM = 6.0  # printers leave about that white (common practice, no source)
TEXT_MM = 3.4  # a line of writing
NUMERAL_MM = 2.3  # a row of numerals beside a bar
TICK_MM = 2.0
GAP_MM = 1.5  # white between the numerals and the board
SIDE_MM = NUMERAL_MM + TICK_MM  # what a bar needs on either side


class SheetError(Exception):
    """No such paper, or the board does not fit it; the message says in one line what to do."""


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """Where things lie on the paper, in the page frame."""

    page_mm: tuple[float, float]  # width and height as the sheet is read
    board_page_mm: tuple[float, float]  # lower-left corner of the chessboard: the sheet frame's origin
    bars_page_mm: tuple[float, float]  # the bars' common corner
    along_mm: float  # length of the bar along the lower edge
    across_mm: float  # length of the bar up the left edge


def lay_out(board: Board, paper: str) -> SheetLayout:
    """Place the board and its bars, the paper turned as the board is if that fits, else the other way.

    Raises SheetError for a paper that is not known, or too small.

    >>> sheet = lay_out(Board(), "a4")
    >>> sheet.page_mm, sheet.along_mm, sheet.across_mm
    ((297.0, 210.0), 275.0, 185.0)
    """
    if paper not in PAPERS_MM:
        raise SheetError(f'paper "{paper}" is not known; take one of {", ".join(PAPERS_MM)}')
    for page_mm in _turns(board, paper):
        if _fits(board, page_mm):
            return _laid_out(board, page_mm, MM_PER_INCH / 4 if paper in IN_INCHES else 5.0)
    do = _remedy(board)
    raise SheetError(f"{_misfit(board, paper)}; {do}")


def _turns(board: Board, paper: str) -> list[tuple[float, float]]:
    short, long = PAPERS_MM[paper]
    turns = [(long, short), (short, long)]
    return turns if board.size_mm[0] >= board.size_mm[1] else turns[::-1]


def _bars_corner_mm() -> tuple[float, float]:
    return EDGE_MM + TEXT_MM + SIDE_MM, EDGE_MM + 2 * TEXT_MM + SIDE_MM


def _room_mm(page_mm: tuple[float, float]) -> tuple[float, float]:
    """How wide and high a board may be beside its bars."""
    x, y = _bars_corner_mm()
    return page_mm[0] - x - SIDE_MM - GAP_MM - EDGE_MM, page_mm[1] - y - SIDE_MM - GAP_MM - EDGE_MM


def _fits(board: Board, page_mm: tuple[float, float]) -> bool:
    return all(size <= room for size, room in zip(board.size_mm, _room_mm(page_mm), strict=True))


def _laid_out(board: Board, page_mm: tuple[float, float], step_mm: float) -> SheetLayout:
    corner = _bars_corner_mm()
    along, across = (
        math.floor((side - start - EDGE_MM) / step_mm + 1e-9) * step_mm
        for side, start in zip(page_mm, corner, strict=True)
    )
    x, y = (  # in the middle of the paper, unless a bar needs the place
        max(start + SIDE_MM + GAP_MM, (side - size) / 2)
        for start, side, size in zip(corner, page_mm, board.size_mm, strict=True)
    )
    return SheetLayout(page_mm, (x, y), corner, along, across)


def _misfit(board: Board, paper: str) -> str:
    room, (w, h) = _room_mm(_turns(board, paper)[0]), board.size_mm
    return f"the board is {w:g} x {h:g} mm, {paper} has room for {room[0]:.0f} x {room[1]:.0f} mm beside the check bars"


def _remedy(board: Board) -> str:
    larger = [name for name in PAPERS_MM if any(_fits(board, page_mm) for page_mm in _turns(board, name))]
    smaller = "a --board of smaller squares"
    return f"take --paper {larger[0]}, or {smaller}" if larger else f"take {smaller}"


def board_text(board: Board) -> str:
    """The board as the `--board` option tells it.

    >>> board_text(Board())
    'charuco:8x6:30mm:22mm:DICT_5X5_100'
    """
    sizes = f"{board.squares_x}x{board.squares_y}:{board.square_mm:g}mm:{board.marker_mm:g}mm"
    return f"charuco:{sizes}:{board.dictionary}"
