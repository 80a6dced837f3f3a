"""What several commands take, and how it is read."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterable
from glob import glob
from pathlib import Path
from typing import TypeVar

from projector.piecing.lengths import angle_rad, length_mm

CLOTH_U_MM = 0.06
T = TypeVar("T")


class OptionError(Exception):
    """An option does not fit; the message says in one line what to write."""


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--json", action="store_true", help="one JSON object a line on standard output; words go to standard error"
    )


def add_cloth(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cloth", type=read(length_mm), default=0.4, metavar="THICKNESS", help='thickness of the cloth ("0.4 mm")'
    )


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
    """A reader whose own error line reaches the person as it is."""

    def strict(text: str) -> T:
        try:
            return reader(text)
        except ValueError as error:
            raise OptionError(str(error)) from None

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


def positive(text: str) -> int:
    """A whole number of at least 1."""
    if not text.isdecimal() or int(text) < 1 or not math.isfinite(int(text)):
        raise OptionError(f'"{text}" is no whole number of 1 or more')
    return int(text)
