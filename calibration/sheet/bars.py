"""Which check bars a person has read: their length depends on the paper, and the board's own edges may do."""

from __future__ import annotations

from calibration.sheet.board import Board, Chessboard, Grid, Sheet
from calibration.sheet.layout import PAPERS_MM, SheetError, lay_out

Bars = tuple[float, float]  # along the sheet's lower edge, up its left edge, mm as they should be

SURELY = 0.015  # printers and papers are rarely further off than this
PERHAPS = 0.04  # a sheet that was fitted to the page: 97 % or so
BOARD = "the board"  # a person without bars measures the chessboard itself, from outer edge to outer edge


def which_bars(board: Sheet, read_mm: tuple[float | None, float | None], paper: str | None = None) -> Bars:
    """The lengths that the bars should have, (along, across) in mm.

    Parameters
    ----------
    board : Board, Chessboard or Grid
        What is printed on the sheet.
    read_mm : (float or None, float or None)
        What the person's own ruler reads along and across; at least one of them.
    paper : str, optional
        The paper whose bars were read. Without it, those that fit both readings within 1.5 %; if there are none,
        the only ones that fit within 4 %.

    Raises SheetError where no bars fit, or several do and they differ: the paper must then be told.

    >>> which_bars(Board(), (275.2, 184.9))
    (275.0, 185.0)
    """
    if paper is not None:
        return _told(board, paper, read_mm)
    known = _candidates(board)
    ranked = sorted(known.values(), key=lambda bars: _miss(bars, read_mm))
    nearest, misses = ranked[0], [_miss(bars, read_mm) for bars in ranked]
    others = [miss for bars, miss in zip(ranked, misses, strict=True) if _differ(bars, nearest, read_mm)]
    second = min(others, default=1.0)
    if misses[0] <= SURELY and (second > SURELY or misses[0] < second / 3):
        return nearest
    if SURELY < misses[0] <= PERHAPS < second:
        return nearest
    raise SheetError(
        f"readings of {_said(read_mm)} fit no check bars surely (they should be {_listed(known)}); "
        "tell the paper with --paper, or read both bars again"
    )


def _told(board: Sheet, paper: str, read_mm: tuple[float | None, float | None]) -> Bars:
    if not isinstance(board, Board):
        raise SheetError("only a ChArUco sheet has check bars; measure the pattern itself and leave --paper out")
    sheet = lay_out(board, paper)
    bars = sheet.along_mm, sheet.across_mm
    if _miss(bars, read_mm) > 2 * PERHAPS:
        raise SheetError(
            f"readings of {_said(read_mm)} do not fit the bars of {paper}, {bars[0]:g} and {bars[1]:g} mm; "
            "read both bars again, or tell another --paper"
        )
    return bars


def _candidates(board: Sheet) -> dict[str, Bars]:
    found: dict[str, Bars] = {}
    if isinstance(board, Board):
        for paper in PAPERS_MM:
            try:
                sheet = lay_out(board, paper)
            except SheetError:
                continue  # too small for this board
            found[paper] = sheet.along_mm, sheet.across_mm
    return found | {BOARD: outer_size_mm(board)}


def outer_size_mm(board: Sheet) -> Bars:
    """Width and height of what is printed, from outer edge to outer edge."""
    match board:
        case Board() | Grid():
            return board.size_mm
        case Chessboard():
            return (board.corners_x + 1) * board.square_mm, (board.corners_y + 1) * board.square_mm


def _differ(one: Bars, other: Bars, read_mm: tuple[float | None, float | None]) -> bool:
    """Whether two papers' bars differ where they were read."""
    return any(a != b for a, b, read in zip(one, other, read_mm, strict=True) if read is not None)


def _miss(bars: Bars, read_mm: tuple[float | None, float | None]) -> float:
    """How far the readings are off these bars at most, relative."""
    misses = [abs(read / bar - 1.0) for bar, read in zip(bars, read_mm, strict=True) if read is not None]
    if not misses:
        raise ValueError("at least one bar must have been read")
    return max(misses)


def _said(read_mm: tuple[float | None, float | None]) -> str:
    return " and ".join(f"{read:g} mm {name}" for read, name in zip(read_mm, ("along", "across"), strict=True) if read)


def _listed(known: dict[str, Bars]) -> str:
    return ", ".join(f"{along:g} x {across:g} mm on {name}" for name, (along, across) in known.items())
