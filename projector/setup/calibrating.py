"""Calibrate at the table: the sheet in many places, the projector's patterns on the bare mat, and a check at the end.

What is captured on the way is kept on the disk, so that an interruption costs one view at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.beam.coarse import NotSeen
from calibration.beam.projector import TapedHeight, solve_projector
from calibration.lens.camera import SHEET_THICKNESS_MM, CameraSolution, solve_camera
from calibration.mat.lightness import mat_over_paper
from calibration.scale import UNREAD, SheetScale
from calibration.sheet.board import Board
from calibration.sheet.corners import Refused, sheet_in_sight
from calibration.sheet.layout import board_text
from calibration.sheet.placing import rough_mat_px
from calibration.tone import SRGB
from projector.setup.captures import About, Captures
from projector.setup.devicecheck import DeviceReport
from projector.setup.faults import checked
from projector.setup.finishing import Finished, finish, rig_of
from projector.setup.looking import LAMP, CalibratingError, changed, even, settle, under_lamp
from projector.setup.matframing import framed
from projector.setup.patternlight import measured_tone, read_patterns, rough_map, white_level
from projector.setup.sheetviews import FLAT, TILTED, Light, Taking, look_again, take_views
from projector.table.devices import Picture, Still, Table

FLAT_VIEWS, TILTED_VIEWS = 9, 6
ENOUGH = 0.6  # of the views that must be left when some had to be dropped
ROUNDS = 4  # of dropping and asking again


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the person said on the command line."""

    board: Board
    flat: int = FLAT_VIEWS
    tilted: int = TILTED_VIEWS
    thickness_mm: float = SHEET_THICKNESS_MM
    height: TapedHeight | None = None
    scale: SheetScale = UNREAD
    resume: bool = False
    said: tuple[tuple[str, float | str], ...] = ()  # options to be kept with what is captured


def calibrate(table: Table, wishes: Wishes, captures: Captures) -> Finished:
    """Lead the person through a calibration; the captures are left for whoever writes the rig to remove.

    Raises CalibratingError, CalibrationError, CapturesError, CameraError.
    """
    settle(table)
    devices = checked(table)
    _begin(table, wishes, captures)
    taking = Taking(table, wishes.board, _light(table, captures, devices.frames_to_average), captures)
    bare = _lit(table)
    taking = _on_the_mat(_with_tone(taking, wishes), bare)
    camera = _camera(taking, wishes, (bare.shape[1], bare.shape[0]))
    _clear_mat(taking)
    seen = captures.patterns
    if seen is None:
        seen = read_patterns(table, taking.light.tone)
        captures.keep_patterns(seen)
    projector = solve_projector(
        seen,
        table.display.size_px,
        camera.device,
        wishes.height,
        sheets_mat_mm=camera.covered_mat_mm,
    )
    rig = rig_of(camera, projector, tone=taking.light.tone)
    lightness = mat_over_paper(under_lamp(table, devices.frames_to_average, rig.tone), captures.views[FLAT], rig.tone)
    notes = (*rig.notes, *_doubts(devices))
    rig = replace(rig, board=board_text(wishes.board), mat_over_paper=lightness, notes=notes)
    return finish(table, framed(table, rig))


def _doubts(devices: DeviceReport) -> tuple[str, ...]:
    """What the person went on with, and what was noted of the light."""
    return (*devices.notes, *(f"gone on with: {fault.why}" for fault in devices.faults))


def _light(table: Table, captures: Captures, frames: int) -> Light:
    """Look roughly where the light falls, before anything is asked for."""
    tone = captures.tone or SRGB
    coarse = rough_map(table, white_level(table, tone), tone)
    if isinstance(coarse, NotSeen):
        do = f"{coarse.do}; places are told in words alone meanwhile"
        table.teller.tell("refused", what="light", why="not_seen", do=do)
        return Light(tone, frames=frames)
    width, height = table.display.size_px
    rim_px = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - 0.5
    return Light(tone, coarse.projector_px_from_camera, coarse.camera_px_from_projector(rim_px), frames)


def _with_tone(taking: Taking, wishes: Wishes) -> Taking:
    """The first view, and with the sheet in it, whose white uses the camera's whole range, the camera's tone curve.

    Measured on a dark mat alone the curve of everything brighter would be a guess.
    """
    captures, table = taking.captures, taking.table
    take_views(taking, FLAT, wishes.flat, until=1)
    if captures.tone is not None:
        return taking
    captures.keep_tone(measured_tone(table, white_level(table)))
    taking = replace(taking, light=replace(taking.light, tone=captures.tone or SRGB))
    look_again(taking)
    return taking


def _begin(table: Table, wishes: Wishes, captures: Captures) -> None:
    """Go on with what is there, or begin anew."""
    frame = table.look().pixels
    about = About(board_text(wishes.board), (frame.shape[1], frame.shape[0]), table.display.size_px, wishes.said)
    if wishes.resume:
        captures.check(about)
        table.teller.tell("seen", what="captures", kept=captures.told)
        return
    if not captures.empty:
        do = "--resume goes on with them; they are replaced when a new view is taken"
        table.teller.tell("seen", what="captures", kept=captures.told, do=do)
    captures.begin(about)


def _lit(table: Table) -> Picture:
    table.throw(even(table.display.size_px, LAMP))
    return table.look().pixels


def _on_the_mat(taking: Taking, bare: Picture) -> Taking:
    """Places are asked for on the mat alone, where its outline is seen."""
    first = taking.captures.views[FLAT][0]
    mat_px = rough_mat_px(bare, first, (bare.shape[1], bare.shape[0]))
    return replace(taking, light=replace(taking.light, mat_px=mat_px))


def _camera(taking: Taking, wishes: Wishes, size_px: tuple[int, int]) -> CameraSolution:
    """Take views until a solution stands that blames none of them. Raises CalibrationError."""
    for _ in range(ROUNDS):
        for what, count in ((FLAT, wishes.flat), (TILTED, wishes.tilted)):
            take_views(taking, what, count)
        views = taking.captures.views
        solution = solve_camera(views[FLAT], views[TILTED], size_px, wishes.thickness_mm, wishes.scale)
        _drop(taking, solution.refused)
        if all(len(views[what]) >= ENOUGH * count for what, count in ((FLAT, wishes.flat), (TILTED, wishes.tilted))):
            return solution
    raise CalibratingError("too many views had to be dropped; stick the sheet to something stiff and flat, then again")


def _drop(taking: Taking, refused: Sequence[Refused]) -> None:
    """Tell of views that the solution blames, and keep them no more. The first one stays: its frame is needed."""
    for one in refused:
        for what, views in taking.captures.views.items():
            for view in [view for view in views if view.name == one.name]:
                taking.table.teller.tell("refused", what=what, why=one.why, do=f"{one.name}: {one.do}")
                if what != FLAT or view is not views[0]:
                    taking.captures.drop_view(what, view)


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
