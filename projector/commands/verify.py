"""`chalkbeam verify`: a figure in light, measured by the camera and by the person's own ruler."""

from __future__ import annotations

import argparse
import queue
import sys
import threading
from pathlib import Path
from typing import Any

from projector.commands.devices import add_devices, check_sizes, opened, rig_for_light
from projector.commands.options import OptionError, add_json, read
from projector.light.showing import show
from projector.piecing.lengths import length_mm
from projector.setup.looking import PAUSE_S, settle
from projector.setup.verifying import (
    NAMES,
    READING_U_MM,
    Seen,
    compared,
    figure_of,
    figure_scene,
    see_figure,
    verdict_keys,
)
from projector.table.clock import WallClock
from projector.table.devices import Table
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("verify", help="check a rig with a figure in light", description=__doc__)
    parser.add_argument("--rig", required=True, type=Path, help="rig file that calibrate wrote")
    parser.add_argument(
        "--read",
        action="append",
        default=[],
        type=reading,
        metavar='"a=203.4 mm"',
        help="what your own ruler reads from cross to cross; without it you are asked",
    )
    parser.add_argument(
        "--read-u", type=read(length_mm), default=READING_U_MM, metavar="LENGTH", help='of each reading ("0.3 mm")'
    )
    add_devices(parser)
    add_json(parser)
    parser.set_defaults(run=run)


@read
def reading(text: str) -> tuple[str, float]:
    """A side's name and its length, mm.

    >>> reading("a = 203.4 mm")
    ('a', 203.4)
    """
    name, equals, length = (part.strip() for part in text.partition("="))
    if not equals or name not in NAMES:
        raise OptionError(f'"{text}" names no side; write it like "a=203.4 mm", with a, b or c')
    return name, length_mm(length)


def run(args: argparse.Namespace) -> int:
    """Show, look, compare; without readings the light stays until the person has read or had enough."""
    clock = WallClock()
    teller = Teller(clock, args.json)
    rig = rig_for_light(args.rig)
    with opened(args, clock, teller) as table:
        check_sizes(rig, table)
        settle(table)
        figure = figure_of(rig)
        seen = see_figure(table, rig, figure)
        show(table, rig, figure_scene(figure))
        teller.tell("seen", what="figure", **verdict_keys(rig, seen, compared(rig, seen, {})))
        read_mm = dict(args.read) or _asked(table, seen)
    if read_mm:
        teller.tell("seen", what="figure", **verdict_keys(rig, seen, compared(rig, seen, read_mm, args.read_u)))
    return 0


def _asked(table: Table, seen: Seen) -> dict[str, float]:
    """What the person types, a side at a time; an empty line or a key at the table ends it."""
    table.teller.tell("ask", what="read_figure")
    typed: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_lines_into, args=(typed,), daemon=True).start()
    read_mm: dict[str, float] = {}
    while len(read_mm) < len(NAMES) and not table.display.keys():
        table.clock.wait_s(PAUSE_S)
        if typed.empty():
            continue
        line = typed.get().strip()
        if not line:
            break
        try:
            name, value_mm = reading(line)
        except (argparse.ArgumentTypeError, OptionError) as error:
            table.teller.tell("refused", what="reading", why="not_understood", do=str(error))
            continue
        read_mm[name] = value_mm
    return read_mm


def _lines_into(typed: queue.SimpleQueue[str]) -> None:
    """Standard input, line by line; its end counts as nothing more to say only where somebody could have typed."""
    for line in sys.stdin:
        typed.put(line)
    if not sys.stdin.isatty():
        typed.put("")
