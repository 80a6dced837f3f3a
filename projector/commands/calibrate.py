"""`chalkbeam calibrate`: make a rig, at the table or from photographs of the printed sheet."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from calibration.projector import TapedHeight
from calibration.rigfile import check_place, save_rig
from calibration.sheet import parse_board
from calibration.solve import camera_from_photographs
from projector.calibrating import FLAT_VIEWS, TILTED_VIEWS, Wishes, calibrate
from projector.captures import folder_of, open_captures
from projector.clock import WallClock
from projector.commands.devices import board_at_the_table, opened
from projector.commands.options import OptionError, add_json, add_sheet, files, read, whole
from projector.events import Teller
from projector.finishing import rig_of, told_closure
from projector.piecing.lengths import length_mm
from projector.rigwords import rig_keys
from vision.pictures import read_picture


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("calibrate", help="make a rig file", description=__doc__)
    parser.add_argument("-o", "--out", required=True, type=Path, metavar="RIG", help="rig file to write")
    parser.add_argument("--camera", metavar="SOURCE", help="device number, video, http://… stream or folder of stills")
    parser.add_argument("--display", type=whole(0), metavar="N", help="the projector's display, from 0")
    parser.add_argument("--flat", nargs="+", metavar="PHOTO", help="photographs of the sheet flat on the mat")
    parser.add_argument("--tilted", nargs="+", default=[], metavar="PHOTO", help="photographs of the sheet held tilted")
    add_sheet(parser)
    parser.add_argument(
        "--projector-height",
        type=read(length_mm),
        metavar="LENGTH",
        help="of the projector's lens above the mat, by tape measure; it matters for thick cloth",
    )
    parser.add_argument(
        "--flat-views", type=whole(1), default=FLAT_VIEWS, metavar="N", help=f"flat places to ask for ({FLAT_VIEWS})"
    )
    parser.add_argument(
        "--tilted-views",
        type=whole(1),
        default=TILTED_VIEWS,
        metavar="N",
        help=f"tilted views ({TILTED_VIEWS})",
    )
    parser.add_argument("--resume", action="store_true", help="go on with what was captured before an interruption")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """From photographs if some are given, else at the table."""
    teller = Teller(WallClock(), args.json)
    check_place(args.out)
    if args.flat:
        _from_photographs(args, teller)
    elif args.camera is not None and args.display is not None:
        _at_the_table(args, teller)
    else:
        raise OptionError("nothing to calibrate from; give --camera and --display, or --flat and --tilted photographs")
    return 0


def _from_photographs(args: argparse.Namespace, teller: Teller) -> None:
    flat, tilted = (
        [(path.name, read_picture(path)) for path in sorted(files(patterns), key=lambda path: path.name)]
        for patterns in (args.flat, args.tilted)
    )
    board = parse_board(args.board)
    camera, lines = camera_from_photographs(flat, tilted, board, args.sheet_thickness)
    rig = rig_of(camera, None, lines)
    save_rig(rig, args.out)
    for line in lines:
        teller.tell("seen", what="view", view=line)
    teller.tell("rig", **rig_keys(rig, args.out))


def _at_the_table(args: argparse.Namespace, teller: Teller) -> None:
    board = board_at_the_table(args.board)
    height = None if args.projector_height is None else TapedHeight(args.projector_height)
    wishes = Wishes(board, args.flat_views, args.tilted_views, args.sheet_thickness, height, args.resume)
    captures = open_captures(folder_of(args.out))
    clock = WallClock()
    with opened(args, clock, teller) as table:
        found = calibrate(table, wishes, captures)
    save_rig(found.rig, args.out)
    captures.remove()
    teller.tell("rig", **rig_keys(found.rig, args.out), **told_closure(found.closure))
