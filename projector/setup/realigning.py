"""Solve a rig's poses again after a bump, the lenses being known: no sheet where that can be.

By the mat's features; on a mat that shows none by the light of whichever device is known to have stayed; else by one
flat sheet.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from calibration.mat.moved import Glance
from calibration.mat.realign import (
    NotRealigned,
    realign_by_sheet,
    realign_camera,
    realign_camera_by_light,
    realign_mat,
    realign_projector,
)
from calibration.rig import Rig
from calibration.sheet.board import Board
from calibration.sheet.corners import SheetView
from projector.setup.closure import DotPictures
from projector.setup.finishing import Finished, finish
from projector.setup.glancing import glanced, tell_glance
from projector.setup.looking import LAMP, changed, even
from projector.setup.matframing import framed
from projector.setup.patternlight import read_patterns
from projector.setup.sheetviews import FIRST_PLACE, look_at_sheet
from projector.table.devices import Table

FRAMES = 8  # of each picture that the poses rest on; a glance has but one
SURE = ("camera", "projector")  # of which a person can be sure that it alone was moved


class RealignError(Exception):
    """The poses cannot be solved again; the message says in one line what to do."""


def realign(table: Table, rig: Rig, board: Board, thickness_mm: float, sure: str | None = None) -> Finished:
    """A rig in its new poses and its old frame, on a mat that the person has cleared.

    Raises RealignError, CalibratingError. Where one sheet gave the poses, the mat's frame is found anew.
    What the glance says has not moved keeps its pose: where the mat alone moved, no pattern is shown.
    Where the glance cannot tell, `sure` is the one device (of SURE) that the person knows to have moved.
    """
    if rig.projector is None:
        raise ValueError("a rig with a projector is needed")
    _cleared(table)
    found, pictures = glanced(table, rig, FRAMES)
    tell_glance(table.teller, found, set())
    moved = {one.what for one in found.moved}
    if found.sighting is None and sure is not None:
        rig = _by_the_other(table, rig, sure)
    elif found.sighting is None:
        again = _projector_again(table, _by_sheet(table, rig, board, thickness_mm))
        rig = framed(table, again) if rig.frame == "mat" else again
    elif moved == {"mat"}:
        rig = realign_mat(rig, found.sighting, pictures.even)
    else:
        rig = _by_landmarks(table, rig, found, pictures, moved)
    return finish(table, replace(rig, made=datetime.now().astimezone(), dots=None))


def _by_landmarks(table: Table, rig: Rig, found: Glance, pictures: DotPictures, moved: set[str]) -> Rig:
    """The camera where the mat's features put it; the projector by its patterns unless it surely stood still."""
    if found.sighting is not None and moved != {"projector"}:
        rig = realign_camera(rig, found.sighting, pictures.even)
    return rig if moved == {"camera"} else _projector_again(table, rig)


def _by_the_other(table: Table, rig: Rig, moved: str) -> Rig:
    """One device by the other, which stayed: nothing but light tells where they are."""
    if moved == "projector":
        return _projector_again(table, rig)
    return _sound(realign_camera_by_light(rig, read_patterns(table, rig.tone)))


def _projector_again(table: Table, rig: Rig) -> Rig:
    return _sound(realign_projector(rig, read_patterns(table, rig.tone)))


def _by_sheet(table: Table, rig: Rig, board: Board, thickness_mm: float) -> Rig:
    """The mat shows nothing to know it by: one flat sheet gives the camera's pose and a frame."""
    unlike = table.glance()
    table.teller.tell("ask", what="sheet_flat", n=1, of=1, where=FIRST_PLACE)
    while True:
        changed(table, unlike)
        view = look_at_sheet(table, board, "sheet_flat 1", rig.tone)
        unlike = table.glance()
        if isinstance(view, SheetView):
            break
        table.teller.tell("refused", what="sheet_flat", why=view.why, do=view.do)
    table.teller.tell("seen", what="sheet_flat", n=1, of=1, corners=len(view.ids))
    table.teller.tell("ask", what="clear_mat")
    changed(table, unlike)
    return _sound(realign_by_sheet(rig, view, thickness_mm))


def _cleared(table: Table) -> None:
    """Ask for the bare mat, and wait until all is still."""
    table.throw(even(table.display.size_px, LAMP))
    table.teller.tell("ask", what="clear_mat")
    changed(table, None)


def _sound(found: Rig | NotRealigned) -> Rig:
    if isinstance(found, NotRealigned):
        raise RealignError(f"{found.why}; {found.do}")
    return found
