"""The command line: one module a command, and one place where what goes wrong becomes one line."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import datetime
from io import TextIOWrapper
from typing import Any, NoReturn

from calibration.lens.camera import CalibrationError
from calibration.rigfile import RigError
from calibration.sheet.board import BoardError
from calibration.sheet.layout import SheetError
from projector.checking import CheckError
from projector.commands import (
    blocks,
    calibrate,
    check,
    cut,
    gauge,
    pile,
    plan,
    predict,
    realign,
    records,
    rehearse,
    report,
    sheet,
    verify,
)
from projector.commands.options import OptionError
from projector.files.album import AlbumError
from projector.files.faultfile import fault_line
from projector.gauge.study import GaugeError
from projector.light.display import DisplayError
from projector.piecing.blocks.catalogue import BlockError
from projector.piecing.drawing.drawn import DrawingError
from projector.piecing.lengths import LengthError
from projector.piecing.patchwork.stages import SewingError
from projector.piecing.shapes import ShapeError
from projector.piecing.tables import PlanError
from projector.piles.lots import LotsError
from projector.piles.samplewish import SampleError
from projector.predicting import PredictError
from projector.records.faults import RecordsError
from projector.rehearsing import RehearsalError
from projector.reporting.faults import ReportError
from projector.setup.captures import CapturesError
from projector.setup.looking import CalibratingError
from projector.setup.realigning import RealignError
from projector.setup.verifying import VerifyError
from projector.table.clock import WallClock
from projector.telling.events import Teller
from vision.compiled import told_when_compiling
from vision.frames.cameras import CameraError
from vision.frames.pictures import PictureError

FOR_THE_PERSON = (
    AlbumError,
    BlockError,
    BoardError,
    CalibratingError,
    CalibrationError,
    CapturesError,
    CameraError,
    CheckError,
    DisplayError,
    DrawingError,
    GaugeError,
    LengthError,
    LotsError,
    OptionError,
    PictureError,
    PlanError,
    PredictError,
    RealignError,
    RecordsError,
    RehearsalError,
    ReportError,
    RigError,
    SampleError,
    SewingError,
    ShapeError,
    SheetError,
    VerifyError,
)

ABOUT = "Light that shows the next cut where the cloth really lies, and a camera that measures what was cut."
CAUTION = (
    "Rotary blades are sharp: close the blade before it leaves your hand, cut away from yourself, keep your fingers "
    "back from the ruler's edge. Do not look into the projector's lens. chalkbeam is no safety device."
)
FAULT = 70  # EX_SOFTWARE of BSD's sysexits.h
COMPILING = (
    "chalkbeam: the first picture after an install takes up to half a minute longer: loops over its pixels are compiled"
)


class _Parser(argparse.ArgumentParser):
    """One line for a wrong command line, without the usage; option names in full, so that new ones break no script."""

    def __init__(self, *args: Any, **keys: Any) -> None:
        super().__init__(*args, **{"allow_abbrev": False} | keys)

    def error(self, message: str) -> NoReturn:
        raise OptionError(message if "; " in message else f"{message}; see {self.prog} --help")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    whole = _Parser(prog="chalkbeam", description=ABOUT, epilog=CAUTION)
    commands = whole.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    for command in (
        *(rehearse, sheet, calibrate, verify, realign, blocks, plan, cut, pile, check, predict, report, gauge, records),
    ):
        command.add(commands)
    return whole


def main(words: Sequence[str] | None = None) -> NoReturn:
    """Run one command and end with its exit code: 0 done, 2 wrong input, 70 a fault of our own, 130 interrupted."""
    words = list(sys.argv[1:] if words is None else words)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # lines for scripts are UTF-8 everywhere; odd file names stop nothing
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    teller = Teller(WallClock(), "--json" in words)
    try:
        args = parser().parse_args(words)
        with told_when_compiling(lambda: print(COMPILING, file=sys.stderr, flush=True)):
            code = args.run(args)
    except FOR_THE_PERSON as error:
        teller.refuse(str(error))
        code = 2
    except OSError as error:  # a full disk, a folder taken away meanwhile
        teller.refuse(f"{error.filename or 'a file'}: {error.strerror or error}; make room or choose another place")
        code = 2
    except KeyboardInterrupt as interrupt:
        kept = str(interrupt) or "interrupted; units that were judged are in the records"
        print(f"chalkbeam: {kept}", file=sys.stderr)
        code = 130
    except Exception as error:
        teller.refuse(fault_line(error, words, datetime.now()))
        code = FAULT
    sys.exit(code)
