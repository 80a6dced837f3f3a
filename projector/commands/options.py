"""What several commands take, and how it is read."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterable
from glob import glob
from pathlib import Path
from typing import TypeVar

from calibration.budget import HEIGHT_U_MM
from projector.piecing.lengths import LengthError, angle_rad, length_mm
from projector.piles.samplewish import SampleError
from vision.measure import PLAIN_CLOTH, Cloth

BOARD = "charuco:8x6:30mm:22mm:DICT_5X5_100"
THICKEST_MM = 20.0
T = TypeVar("T")


class OptionError(Exception):
    """An option does not fit; the message says in one line what to write."""


class InterruptedByPerson(KeyboardInterrupt):
    """Ctrl-C, with one line that says what is kept."""


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--json", action="store_true", help="one JSON object a line on standard output; words go to standard error"
    )


def add_records(
    parser: argparse.ArgumentParser, default: str | None = "journal.sqlite", without: str = "beside everything else"
) -> None:
    """Where units are kept or read from; `--journal` is its older name. `without` says what holds without a default."""
    parser.add_argument(
        "--records",
        "--journal",
        default=default,
        metavar="ADDRESS",
        help=f"where units are kept: a file, or postgresql://name@host/database ({default or without})",
    )


def add_sheet(parser: argparse.ArgumentParser, board: str | None = BOARD) -> None:
    """What is printed on the sheet, and how thick it is; without a `board` it is the one that the rig was made with."""
    parser.add_argument("--board", default=board, help=f"what is printed on the sheet ({board or 'as the rig says'})")
    parser.add_argument("--sheet-thickness", type=read(length_mm), default=0.1, metavar="LENGTH", help='"0.1 mm"')


def add_cloth(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cloth", type=read(_thickness_mm), default=0.4, metavar="THICKNESS", help='thickness of the cloth ("0.4 mm")'
    )


def cloth_of(thickness_mm: float | None) -> Cloth:
    """The cloth that was said, or the usual."""
    return PLAIN_CLOTH if thickness_mm is None else Cloth(thickness_mm, HEIGHT_U_MM)


def add_layers(parser: argparse.ArgumentParser) -> None:
    """How the cloth lies that strips are cut from."""
    parser.add_argument(
        "--layers",
        type=whole(0),
        default=2,
        metavar="N",
        help="layers of the cloth that strips are cut from: 1 single, 2 folded once; 0 where they are cut already (2)",
    )


def _thickness_mm(text: str) -> float:
    value_mm = length_mm(text)
    if value_mm > THICKEST_MM:
        raise LengthError(f'"{text}" is thicker than cloth on a mat; write a thickness like "0.4 mm"')
    return value_mm


def add_tolerances(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--tolerance",
        type=read(length_mm),
        metavar="LENGTH",
        help='how far widths and sides may be off (a plan\'s own, else "1/32 in")',
    )
    parser.add_argument(
        "--angle-tolerance",
        type=read(angle_rad),
        metavar="ANGLE",
        help='how far angles may be off (a plan\'s own, else "0.5 deg")',
    )


def read(reader: Callable[[str], T]) -> Callable[[str], T]:
    """A reader for an option: its own error line reaches the person, with the option's name before it."""

    def strict(text: str) -> T:
        try:
            return reader(text)
        except (LengthError, OptionError, SampleError) as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return strict


def files(patterns: Iterable[str]) -> list[Path]:
    """Files that patterns name, each pattern's sorted by name. Raises OptionError where one names nothing."""
    found: list[Path] = []
    for pattern in patterns:
        names = [Path(pattern)] if Path(pattern).exists() else [Path(name) for name in sorted(glob(pattern))]
        if not names:
            raise OptionError(f"{pattern}: no such file; give a file or a pattern in quotes, like 'board_*.jpg'")
        found += names
    return found


def whole(least: int) -> Callable[[str], int]:
    """A reader of whole numbers from `least` up."""

    def read_whole(text: str) -> int:
        if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) >= least):
            raise argparse.ArgumentTypeError(f'"{text}" does not fit; give a whole number from {least} up')
        return int(text)

    return read_whole


def share(text: str) -> float:
    """A share from 0 to 1, as an option says it."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f'"{text}" does not fit; give a share from 0 to 1, like 0.1')
    return value
