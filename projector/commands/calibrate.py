"""`chalkbeam calibrate`: make a rig, at the table or from photographs of the printed sheet."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from calibration.beam.projector import TapedHeight
from calibration.lens.photographs import camera_from_photographs
from calibration.mat.frame import MatFrame, NotFound, find_mat_frame, in_mat_frame
from calibration.rig import Rig
from calibration.rigfile import check_place
from calibration.sheet.board import parse_board
from projector.commands import bars
from projector.commands.bars import add_bars, sheet_scale
from projector.commands.devices import add_slow, board_at_the_table, opened
from projector.commands.options import InterruptedByPerson, OptionError, add_json, add_sheet, files, read, whole
from projector.piecing.lengths import length_mm
from projector.setup.calibrating import FLAT_VIEWS, TILTED_VIEWS, Wishes, calibrate
from projector.setup.captures import Captures, folder_of, open_captures
from projector.setup.finishing import Finished, residual_arrows, rig_of
from projector.setup.writing import write_rig
from projector.table.clock import WallClock
from projector.table.devices import Picture
from projector.telling.events import Teller
from vision.frames.pictures import read_picture

KEPT = (*bars.KEPT, "projector_height")


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("calibrate", help="make a rig file", description=__doc__)
    parser.add_argument("-o", "--out", required=True, type=Path, metavar="RIG", help="rig file to write")
    parser.add_argument("--camera", metavar="SOURCE", help="device number, video, http://… stream or folder of stills")
    parser.add_argument("--display", type=whole(0), metavar="N", help="the projector's display, from 0")
    add_slow(parser)
    parser.add_argument("--flat", nargs="+", metavar="PHOTO", help="photographs of the sheet flat on the mat")
    parser.add_argument("--tilted", nargs="+", default=[], metavar="PHOTO", help="photographs of the sheet held tilted")
    add_sheet(parser)
    add_bars(parser)
    parser.add_argument(
        "--frame", choices=("sheet", "mat"), default="sheet", help="of photographs: the first sheet's, or the mat's own"
    )
    parser.add_argument(
        "--empty", nargs="+", default=[], metavar="PHOTO", help="photographs of the bare mat, for --frame mat"
    )
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
    scale = sheet_scale(args, board)
    camera, lines = camera_from_photographs(flat, tilted, board, args.sheet_thickness, scale)
    rig, arrows = replace(rig_of(camera, None, lines), board=args.board), residual_arrows(camera)
    if args.frame == "mat":
        frame = _frame_of_the_mat(rig, [read_picture(path) for path in files(args.empty)] + [one for _, one in flat])
        rig, arrows = in_mat_frame(rig, frame), residual_arrows(camera, frame)
    for line in lines:
        teller.tell("seen", what="view", view=line)
    write_rig(teller, Finished(rig, None), args.out, arrows)


def _frame_of_the_mat(rig: Rig, pictures: Sequence[Picture]) -> MatFrame:
    """By the first picture that shows the mat's outline or grid; a sheet that lies on it hides little of them."""
    lost = NotFound("no picture shows the mat", "give --empty a photograph of it")
    for picture in pictures:
        found = find_mat_frame(picture, rig.camera.pinhole, rig.area_mat_mm.mean(axis=0), None, rig.tone)
        if isinstance(found, MatFrame):
            return found
        lost = found
    raise OptionError(f"{lost.why}; {lost.do}, or leave --frame mat out")


def _at_the_table(args: argparse.Namespace, teller: Teller) -> None:
    board = board_at_the_table(args.board)
    captures = open_captures(folder_of(args.out))
    if args.resume:
        _recall(args, captures)
    height = None if args.projector_height is None else TapedHeight(args.projector_height)
    scale = sheet_scale(args, board)
    wishes = Wishes(
        *(board, args.flat_views, args.tilted_views, args.sheet_thickness, height, scale, args.resume), _said(args)
    )
    clock = WallClock()
    try:
        with opened(args, clock, teller) as table:
            found = calibrate(table, wishes, captures)
    except KeyboardInterrupt:
        kept = f"{captures.told} are kept, --resume goes on with them" if not captures.empty else "nothing was kept yet"
        raise InterruptedByPerson(f"interrupted, no rig was written; {kept}") from None
    write_rig(teller, found, args.out)
    captures.remove()


def _said(args: argparse.Namespace) -> tuple[tuple[str, float | str], ...]:
    """What the person said that belongs to the sheet and the table, not to this run."""
    return tuple((name, value) for name in KEPT if (value := getattr(args, name)) is not None)


def _recall(args: argparse.Namespace, captures: Captures) -> None:
    """What was said before the interruption counts unless it is said anew."""
    said = dict(captures.about.options) if captures.about else {}
    for name in KEPT:
        if getattr(args, name) is None and name in said:
            setattr(args, name, said[name])
