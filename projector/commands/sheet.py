"""`chalkbeam sheet`: the printable sheet, true to scale, with two check bars."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from calibration.rigfile import check_place
from calibration.sheet.board import Board, parse_board
from calibration.sheet.layout import PAPERS_MM, lay_out
from projector.commands.options import BOARD, OptionError, add_json
from projector.table.clock import WallClock
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("sheet", help="write the sheet to print", description=__doc__)
    parser.add_argument("--paper", required=True, metavar="PAPER", help=", ".join(PAPERS_MM))
    parser.add_argument("-o", "--out", required=True, type=Path, metavar="PDF", help="file to write")
    parser.add_argument("--board", default=BOARD, help=f"what to print ({BOARD})")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Draw it, write it, ask to print it."""
    board, paper = parse_board(args.board), args.paper.lower()
    if not isinstance(board, Board):
        raise OptionError(f"only a ChArUco sheet is drawn; write --board {BOARD}")
    layout = lay_out(board, paper)
    check_place(args.out)
    from calibration.sheet.pdf import sheet_pdf  # here, because what writes PDF takes a sixth of every command's start

    args.out.write_bytes(sheet_pdf(board, paper))
    bars = {"along_mm": round(layout.along_mm, 4), "across_mm": round(layout.across_mm, 4)}
    Teller(WallClock(), args.json).tell("ask", what="print_the_sheet", file=str(args.out), **bars)
    return 0
