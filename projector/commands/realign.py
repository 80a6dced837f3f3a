"""`chalkbeam realign`: after a bump, solve the poses of camera and projector again; the lenses are known."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from calibration.rigfile import check_place
from projector.commands.devices import add_devices, board_of, check_sizes, opened, rig_for_light
from projector.commands.options import add_json, add_sheet
from projector.setup.looking import settle
from projector.setup.realigning import SURE, realign
from projector.setup.writing import write_rig
from projector.table.clock import WallClock
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("realign", help="solve the poses again after a bump", description=__doc__)
    parser.add_argument("--rig", required=True, type=Path, help="rig file that calibrate wrote")
    parser.add_argument("-o", "--out", type=Path, metavar="NEW", help="rig file to write (the same)")
    add_devices(parser)
    add_sheet(parser, board=None)
    parser.add_argument(
        "--moved",
        choices=SURE,
        help="you are sure that this alone was moved: no sheet is needed then, even where the mat shows nothing",
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Look, solve, write; the old rig stays where it cannot be done."""
    clock, out = WallClock(), args.out or args.rig
    teller = Teller(clock, args.json)
    rig = rig_for_light(args.rig)
    board = board_of(args.board, rig)
    check_place(out)
    with opened(args, clock, teller) as table:
        check_sizes(rig, table)
        settle(table)
        found = realign(table, rig, board, args.sheet_thickness, args.moved)
    write_rig(teller, found, out)
    return 0
