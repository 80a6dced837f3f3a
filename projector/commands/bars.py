"""The options that tell how large the sheet was really printed."""

from __future__ import annotations

import argparse

from calibration.scale import EXACT, READING_U_MM, UNREAD, SheetScale, from_bars
from calibration.sheet.bars import which_bars
from calibration.sheet.board import Sheet
from calibration.sheet.layout import PAPERS_MM
from projector.commands.options import OptionError, read
from projector.piecing.lengths import length_mm

KEPT = ("bar_along", "bar_across", "bar_u", "bar", "paper")  # with the captures, so that --resume knows them


def add_bars(parser: argparse.ArgumentParser) -> None:
    """Readings of the check bars, or that the sheet is exact."""
    length = read(length_mm)
    parser.add_argument(
        "--bar-along", type=length, metavar="LENGTH", help="what your ruler reads on the bar along the sheet"
    )
    parser.add_argument(
        "--bar-across",
        type=length,
        metavar="LENGTH",
        help="the same of the other bar; of a board without bars its edges",
    )
    parser.add_argument("--bar-u", type=length, metavar="LENGTH", help=f'of each reading ("{READING_U_MM} mm")')
    parser.add_argument("--bar", choices=("exact",), help="there is no doubt about the sheet's size")
    parser.add_argument("--paper", choices=tuple(PAPERS_MM), help="whose bars were read, if they do not tell")


def sheet_scale(args: argparse.Namespace, board: Sheet) -> SheetScale:
    """What the options say of the sheet. Raises OptionError, SheetError."""
    readings = args.bar_along, args.bar_across
    if args.bar == "exact":
        if any(reading is not None for reading in readings):
            raise OptionError("--bar exact and a reading contradict each other; give one of them")
        return EXACT
    if all(reading is None for reading in readings):
        return UNREAD
    along_mm, across_mm = which_bars(board, readings, args.paper)
    return from_bars(along_mm, across_mm, *readings, READING_U_MM if args.bar_u is None else args.bar_u)
