"""Calibrate at the table: take the printed sheet in many places, then read the projector's patterns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration.area import area_mat_mm
from calibration.camera import SHEET_THICKNESS_MM, CameraSolution, solve_camera
from calibration.corners import Refused, SheetView, apart_px, find_sheet, sheet_in_sight
from calibration.decoding import decode
from calibration.mesh import mesh
from calibration.patterns import Patterns
from calibration.projector import ProjectorSolution, TapedHeight, solve_projector
from calibration.rig import Rig
from calibration.sheet import Board
from calibration.steady import Bumped
from projector.latency import NotSeen, measure_latency
from projector.table import Pressed, Still, Table
from vision.light import mean_light, srgb_from_linear

Picture = NDArray[np.uint8]

FLAT, TILTED = 9, 6
FRAMES = 4  # averaged for each view of the sheet
LAMP = 0.8  # of full white, encoded: bright enough for a short exposure, less than most cameras' clipping
NEW_PLACE = 0.02  # of the sheet's own size that its corners must have moved, for another view
PATIENCE_S = 600.0  # for the person to lay the sheet


class CalibratingError(Exception):
    """The table cannot be calibrated; the message says in one line what to do."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person said on the command line."""

    board: Board
    flat: int = FLAT
    tilted: int = TILTED
    thickness_mm: float = SHEET_THICKNESS_MM
    height: TapedHeight | None = None


def calibrate(table: Table, wishes: Wishes) -> Rig:
    """Lead the person through a calibration. Raises CalibratingError, CalibrationError, CameraError."""
    settle(table)
    table.throw(_even(table.display.size_px, LAMP))
    flat, last = _take_views(table, wishes.board, "sheet_flat", wishes.flat, None)
    tilted, last = _take_views(table, wishes.board, "sheet_tilted", wishes.tilted, last)
    size_px = flat[0].size_px
    camera = solve_camera([v.view for v in flat], [v.view for v in tilted], size_px, wishes.thickness_mm)
    _clear_mat(table, wishes.board, last)
    projector = _read_patterns(table, camera, wishes.height)
    return rig_of(camera, projector)


def settle(table: Table) -> None:
    """Measure how late the light is by a blink. Raises CalibratingError where the camera does not see it."""
    latency = measure_latency(table.display, table.camera, table.clock)
    if isinstance(latency, NotSeen):
        raise CalibratingError(f"{latency.why}; {latency.do}")
    table.latency_s = latency


def rig_of(camera: CameraSolution, projector: ProjectorSolution | None, lines: tuple[str, ...] = ()) -> Rig:
    """Put solved devices into a rig, dated now."""
    lit = None if projector is None else projector.device.pinhole
    return Rig(
        camera.device,
        None if projector is None else projector.device,
        0.0,
        area_mat_mm(camera.device.pinhole, camera.covered_mat_mm, lit),
        datetime.now().astimezone(),
        views=lines or tuple(str(view) for view in camera.views),
        notes=(*camera.notes, *(() if projector is None else projector.notes)),
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Taken:
    view: SheetView
    size_px: tuple[int, int]


def _take_views(
    table: Table, board: Board, what: str, count: int, last: Still | None
) -> tuple[list[_Taken], Still | None]:
    """Ask for the sheet `count` times, and take each picture by itself once it lies still at a new place.

    `last` is how the table looked when it was still before; how it looks in the end comes back with the views.
    """
    taken: list[_Taken] = []
    while len(taken) < count:
        table.teller.tell("ask", what=what, n=len(taken) + 1, of=count)
        while True:
            still = table.until_still(last, PATIENCE_S)
            _go_on(still)
            last = still if isinstance(still, Still) else last
            picture = _mean_picture(table.looks(FRAMES))
            found = _judge(find_sheet(picture, board, f"{what} {len(taken) + 1}"), picture, taken)
            if isinstance(found, _Taken):
                break
            table.teller.tell("refused", what=what, why=found.why, do=found.do)
            table.teller.tell("ask", what=what, n=len(taken) + 1, of=count)
        taken.append(found)
        table.teller.tell("seen", what=what, n=len(taken), of=count, corners=len(found.view.corners_px))
    return taken, last


def _go_on(still: Still | Pressed | None) -> None:
    if still is None:
        raise CalibratingError("nothing was laid on the mat for ten minutes; start again when the sheet is at hand")
    if isinstance(still, Pressed) and {"q", "escape"} & set(still.keys):
        raise CalibratingError("ended by a key, no rig was written; start again when the table is free")


def _judge(found: SheetView | Refused, picture: Picture, taken: list[_Taken]) -> _Taken | Refused:
    if isinstance(found, Refused):
        return found
    for one in taken:
        if apart_px(one.view, found) < NEW_PLACE * float(np.hypot(*np.ptp(found.corners_px, axis=0))):
            return Refused(found.name, "same_place", "lay the sheet at another place, or turn it")
    return _Taken(found, (picture.shape[1], picture.shape[0]))


def _mean_picture(pictures: list[Picture]) -> Picture:
    """The mean in linear light, encoded again."""
    encoded = srgb_from_linear(mean_light(pictures).astype(np.float64))
    return np.rint(np.clip(encoded, 0.0, 1.0) * 255.0).astype(np.uint8)


def _even(size_px: tuple[int, int], level: float) -> Picture:
    return np.full((size_px[1], size_px[0], 3), round(255 * level), np.uint8)


def _clear_mat(table: Table, board: Board, last: Still | None) -> None:
    """Ask for the bare mat and wait until the sheet is gone and all is still."""
    table.teller.tell("ask", what="clear_mat")
    while True:
        still = table.until_still(last, PATIENCE_S)
        _go_on(still)
        last = still if isinstance(still, Still) else last
        if not sheet_in_sight(table.look().pixels, board):
            table.teller.tell("seen", what="clear_mat")
            return


def _read_patterns(table: Table, camera: CameraSolution, height: TapedHeight | None) -> ProjectorSolution:
    """Show each pattern, look at it, and solve the projector from what was read."""
    size_px = table.display.size_px
    frames = []
    for picture in Patterns(size_px):
        table.throw(picture)
        frames.append(table.look().pixels)
    read = decode(iter(frames), size_px)
    if isinstance(read, Bumped):
        raise CalibratingError(
            "something moved while the patterns were shown; leave the table alone and calibrate again"
        )
    return solve_projector(mesh(read), size_px, camera.device, height)
