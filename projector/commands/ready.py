"""What comes before anything is cut or judged at the table: a rig that still holds, and the cautions read."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from calibration.rig import Rig
from calibration.sheet.board import Board
from projector.commands.devices import check_sizes
from projector.commands.sitting import sitting_of
from projector.events import Teller
from projector.guide.sitting import Sitting
from projector.opening import read_longer_list
from projector.records.journal import Journal
from projector.setup.glancing import REALIGN, glanced, key_after_bump, tell_glance
from projector.setup.looking import settle
from projector.setup.realigning import realign
from projector.setup.writing import write_rig
from projector.table import Table
from projector.unitpictures import UnitPictures
from vision.measure import Cloth


def ready(
    args: argparse.Namespace, table: Table, rig: Rig, board: Board, journal: Journal
) -> tuple[Rig, Sitting] | None:
    """The rig as it holds now, and the sitting that was told; None where the person ends."""
    check_sizes(rig, table)
    settle(table)
    trusted = trusted_rig(table, rig, args.rig, board, args.sheet_thickness)
    if trusted is None:
        return None
    sitting = sitting_of(args)
    if not read_longer_list(table, trusted, sitting, journal, datetime.now().astimezone()):
        return None
    return trusted, sitting


def trusted_rig(table: Table, rig: Rig, file: Path, board: Board, thickness_mm: float) -> Rig | None:
    """The rig after a glance, realigned where the person wants it so, by that sheet if need be; None to end."""
    found, _ = glanced(table, rig)
    tell_glance(table.teller, found, set())
    if found.quiet:
        return rig
    key = key_after_bump(table, rig, found, realign=True)
    if key != REALIGN:
        return rig if key else None
    again = realign(table, rig, board, thickness_mm)
    write_rig(table.teller, again, file)
    return again.rig


def add_pictures(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="keep a photograph of every unit, for report")


def unit_pictures(folder: Path | None, rig: Rig, cloth: Cloth, teller: Teller) -> UnitPictures | None:
    """Keeps photographs of units, if they are wanted; that they cannot be written is told, and stops nothing."""
    if folder is None:
        return None

    def trouble(error: OSError) -> None:
        do = f"{folder}: cannot be written ({error.strerror}), so no more photographs are kept; the cut goes on"
        teller.tell("refused", what="pictures", why="not_written", do=do)

    return UnitPictures(folder, rig.camera.pinhole, cloth.height_mm, trouble)
