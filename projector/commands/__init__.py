"""The command line: one module a command, and one place where what goes wrong becomes one line."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from typing import NoReturn

from calibration.camera import CalibrationError
from calibration.rigfile import RigError
from calibration.sheet import BoardError
from projector.album import AlbumError
from projector.calibrating import CalibratingError
from projector.checking import CheckError
from projector.commands import calibrate, check, cut, rehearse
from projector.commands.options import OptionError
from projector.display import DisplayError
from projector.journal import JournalError
from projector.piecing.lengths import LengthError
from projector.piecing.shapes import ShapeError
from projector.piecing.tables import PlanError
from projector.rehearsing import RehearsalError
from vision.cameras import CameraError
from vision.pictures import PictureError

FOR_THE_PERSON = (
    AlbumError,
    BoardError,
    CalibratingError,
    CalibrationError,
    CameraError,
    CheckError,
    DisplayError,
    JournalError,
    LengthError,
    OptionError,
    PictureError,
    PlanError,
    RehearsalError,
    RigError,
    ShapeError,
)

ABOUT = "Light that shows the next cut where the cloth really lies, and a camera that measures what was cut."
CAUTION = (
    "Rotary blades are sharp: close the blade before it leaves your hand, cut away from yourself, keep your fingers "
    "back from the ruler's edge. Do not look into the projector's lens. chalkbeam is no safety device."
)


class _Parser(argparse.ArgumentParser):
    """One line for a wrong command line, without the usage."""

    def error(self, message: str) -> NoReturn:
        raise OptionError(f"{message}; see {self.prog} --help")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    whole = _Parser(prog="chalkbeam", description=ABOUT, epilog=CAUTION)
    commands = whole.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    for command in (rehearse, calibrate, cut, check):
        command.add(commands)
    return whole


def main(words: Sequence[str] | None = None) -> NoReturn:
    """Run one command and end with its exit code: 0 done, 2 wrong input, 130 interrupted."""
    words = list(sys.argv[1:] if words is None else words)
    try:
        args = parser().parse_args(words)
        code = args.run(args)
    except FOR_THE_PERSON as error:
        _tell_error(str(error), "--json" in words)
        code = 2
    except KeyboardInterrupt:
        print("chalkbeam: ended by the keyboard; what was judged is kept", file=sys.stderr)
        code = 130
    sys.exit(code)


def _tell_error(line: str, as_json: bool) -> None:
    """One line on standard error; with --json an `error` event on standard output too."""
    line = " ".join(line.split())
    if as_json:
        message, colon, do = line.rpartition(": ")
        event = {"event": "error", "t": 0.0, "message": message if colon else line, "do": do if colon else ""}
        print(json.dumps(event, ensure_ascii=False), flush=True)
    print(f"chalkbeam: {line}", file=sys.stderr)
