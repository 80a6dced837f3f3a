"""Calibrate at the table: the sheet in many places, the projector's patterns on the bare mat, and a check at the end.

What is captured on the way is kept on the disk, so that an interruption costs one view at most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import SHEET_THICKNESS_MM, CameraSolution, solve_camera
from calibration.coarse import NotSeen
from calibration.corners import sheet_in_sight
from calibration.projector import TapedHeight, solve_projector
from calibration.sheet import Board
from calibration.sheetpdf import board_text
from calibration.tone import SRGB
from projector.captures import About, Captures
from projector.finishing import Finished, finish, rig_of
from projector.looking import changed, settle
from projector.patternlight import measured_tone, read_patterns, rough_map, white_level
from projector.sheetviews import FLAT, TILTED, Light, Taking, look_again, take_views
from projector.table import Still, Table

FLAT_VIEWS, TILTED_VIEWS = 9, 6
FEWEST_FLAT, FEWEST_TILTED = 4, 3  # that must be left when poor views are dropped
ROUNDS = 4  # of dropping and asking again


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person said on the command line."""

    board: Board
    flat: int = FLAT_VIEWS
    tilted: int = TILTED_VIEWS
    thickness_mm: float = SHEET_THICKNESS_MM
    height: TapedHeight | None = None
    resume: bool = False


def calibrate(table: Table, wishes: Wishes, captures: Captures) -> Finished:
    """Lead the person through a calibration; the captures are left for whoever writes the rig to remove.

    Raises CalibratingError, CalibrationError, CapturesError, CameraError.
    """
    settle(table)
    _begin(table, wishes, captures)
    taking = Taking(table, wishes.board, _light(table, captures), captures)
    taking = _with_tone(taking, wishes)
    camera = _camera(taking, wishes)
    _clear_mat(taking)
    if captures.patterns is None:
        captures.keep_patterns(read_patterns(table, taking.light.tone))
    if captures.patterns is None:
        raise ValueError("patterns that were kept are there")
    projector = solve_projector(captures.patterns, table.display.size_px, camera.device, wishes.height)
    return finish(table, rig_of(camera, projector, tone=taking.light.tone))


def _light(table: Table, captures: Captures) -> Light:
    """Look roughly where the light falls, before anything is asked for."""
    tone = captures.tone or SRGB
    coarse = rough_map(table, white_level(table, tone), tone)
    if isinstance(coarse, NotSeen):
        do = f"{coarse.do}; places are told in words alone meanwhile"
        table.teller.tell("refused", what="light", why="not_seen", do=do)
        return Light(tone)
    width, height = table.display.size_px
    rim_px = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - 0.5
    return Light(tone, coarse.projector_px_from_camera, coarse.camera_px_from_projector(rim_px))


def _with_tone(taking: Taking, wishes: Wishes) -> Taking:
    """The first view, and with the sheet in it, whose white uses the camera's whole range, the camera's tone curve.

    Measured on a dark mat alone the curve of everything brighter would be a guess.
    """
    captures, table = taking.captures, taking.table
    if captures.tone is not None:
        return taking
    take_views(taking, FLAT, wishes.flat, until=1)
    captures.keep_tone(measured_tone(table, white_level(table)))
    taking = replace(taking, light=replace(taking.light, tone=captures.tone or SRGB))
    look_again(taking)
    return taking


def _begin(table: Table, wishes: Wishes, captures: Captures) -> None:
    """Go on with what is there, or begin anew."""
    frame = table.look().pixels
    about = About(board_text(wishes.board), (frame.shape[1], frame.shape[0]), table.display.size_px)
    if wishes.resume:
        captures.check(about)
        table.teller.tell("seen", what="captures", kept=captures.told)
        return
    if not captures.empty:
        do = "--resume goes on with them; they are replaced when a new view is taken"
        table.teller.tell("seen", what="captures", kept=captures.told, do=do)
    captures.begin(about)


def _camera(taking: Taking, wishes: Wishes) -> CameraSolution:
    """Take views until a solution stands that blames none of them. Raises CalibrationError."""
    for what, count in ((FLAT, wishes.flat), (TILTED, wishes.tilted)):
        take_views(taking, what, count)
    views = taking.captures.views
    frame = taking.table.look().pixels
    return solve_camera(views[FLAT], views[TILTED], (frame.shape[1], frame.shape[0]), wishes.thickness_mm)


def _clear_mat(taking: Taking) -> None:
    """Ask for the bare mat and wait until the sheet is gone and all is still."""
    table = taking.table
    unlike: Still | None = table.glance()
    if not sheet_in_sight(table.look().pixels, taking.board):
        unlike = None  # bare already: that it lies still is enough
    table.teller.tell("ask", what="clear_mat")
    while True:
        unlike = changed(table, unlike)
        if not sheet_in_sight(table.look().pixels, taking.board):
            table.teller.tell("seen", what="clear_mat")
            return
