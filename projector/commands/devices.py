"""The devices that a command names: opened together, and given back whatever happens."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from calibration.rig import Rig
from calibration.rigfile import load_rig
from calibration.sheet.board import Board, parse_board
from projector.commands.options import BOARD, OptionError, whole
from projector.light.display import PygameDisplay
from projector.table.clock import Clock
from projector.table.devices import Table
from projector.telling.events import Teller
from vision.frames.cameras import open_camera

SLOW_S = 0.5  # between two changes of the light: one flash a second


def add_devices(parser: argparse.ArgumentParser) -> None:
    """The options that name camera and display."""
    parser.add_argument("--camera", default="0", metavar="SOURCE", help="device number, video or http://… stream (0)")
    parser.add_argument("--display", type=whole(0), default=1, metavar="N", help="the projector's display, from 0 (1)")
    add_slow(parser)


def add_slow(parser: argparse.ArgumentParser) -> None:
    """Light that changes slowly, for people whom flashing light troubles."""
    parser.add_argument("--slow", action="store_true", help="show patterns slowly: one flash a second, not three")


@contextmanager
def opened(args: argparse.Namespace, clock: Clock, teller: Teller) -> Iterator[Table]:
    """A table at the camera and the display that were named. Raises CameraError, DisplayError."""
    camera = open_camera(args.camera, clock)
    try:
        display = PygameDisplay(args.display)
        try:
            table = Table(camera, display, clock, teller)
            table.pace_s = SLOW_S if getattr(args, "slow", False) else table.pace_s
            yield table
        finally:
            display.close()
    finally:
        camera.close()


def rig_for_light(path: Path) -> Rig:
    """A rig that knows its projector. Raises RigError, OptionError."""
    rig = load_rig(path)
    if rig.projector is None:
        raise OptionError(f"{path} knows no projector; calibrate at the table, with --camera and --display")
    return rig


def board_at_the_table(text: str) -> Board:
    """The sheet that is laid on the mat. Raises BoardError, OptionError."""
    board = parse_board(text)
    if not isinstance(board, Board):
        raise OptionError("at the table a ChArUco sheet is needed; write --board charuco:8x6:30mm:22mm:DICT_5X5_100")
    return board


def board_of(told: str | None, rig: Rig) -> Board:
    """The sheet that was told, else the one that the rig was made with. Raises BoardError, OptionError."""
    return board_at_the_table(told or rig.board or BOARD)


def check_sizes(rig: Rig, table: Table) -> None:
    """Raises OptionError where camera or display are not the ones that the rig was made with."""
    frame = table.camera.read().pixels
    seen, known = (frame.shape[1], frame.shape[0]), rig.camera.pinhole.lens.size_px
    if seen != known:
        raise OptionError(
            f"the camera gives {seen[0]}x{seen[1]}, the rig was made with {known[0]}x{known[1]}; calibrate again"
        )
    if rig.projector is not None and table.display.size_px != rig.projector.pinhole.lens.size_px:
        (w, h), (a, b) = table.display.size_px, rig.projector.pinhole.lens.size_px
        raise OptionError(
            f"the display is {w}x{h}, the rig's projector {a}x{b}; name the right one, or calibrate again"
        )
