"""Give a rig the mat's own frame: from the bare mat's picture, else from corners that the person points out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.mat.frame import NotFound, find_mat_frame, frame_from_corners, in_mat_frame
from calibration.mat.pointed import pointed_px
from calibration.rig import Rig
from projector.setup.looking import answered, under_lamp
from projector.table.devices import Picture, Still, Table

Floats = NDArray[np.float64]

CORNERS = 4
FRAMES = 8
GO_ON = "go on with --resume"
NAMES = ("lower left", "lower right", "upper right", "upper left")


def framed(table: Table, rig: Rig) -> Rig:
    """The rig in the frame of the mat, which lies bare. It keeps the first sheet's where the person wants it so.

    Raises CalibratingError where nobody answers.
    """
    bare = under_lamp(table, FRAMES, rig.tone)
    projector = None if rig.projector is None else rig.projector.pinhole
    found = find_mat_frame(bare, rig.camera.pinhole, rig.area_mat_mm.mean(axis=0), projector, rig.tone)
    if isinstance(found, NotFound):
        table.teller.tell("refused", what="mat_frame", why="not_found", do=f"{found.why}: point out its corners")
        return _pointed_out(table, rig, bare)
    table.teller.tell("seen", what="mat_frame", how=found.how, u_mm=round(found.u_mm, 3), size_mm=found.size_mm)
    return in_mat_frame(rig, found)


def _pointed_out(table: Table, rig: Rig, bare: Picture) -> Rig:
    """Four corners, one after the other; space keeps the first sheet's frame."""
    while True:
        corners = [_corner(table, rig, bare, n) for n in range(CORNERS)]
        if any(corner is None for corner in corners):
            table.teller.tell("seen", what="mat_frame", how="the first sheet's, as you wish")
            return rig
        found = frame_from_corners(np.array(corners, float), rig.camera.pinhole)
        table.teller.tell("ask", what="clear_mat")
        answered(table, table.glance(), GO_ON)
        if not isinstance(found, NotFound):
            table.teller.tell("seen", what="mat_frame", how=found.how, u_mm=round(found.u_mm, 3), size_mm=found.size_mm)
            return in_mat_frame(rig, found)
        table.teller.tell("refused", what="mat_corners", why="no_rectangle", do=found.do)


def _corner(table: Table, rig: Rig, bare: Picture, n: int) -> Floats | None:
    """One corner in the camera's picture, pixels; None where the person goes on without."""
    unlike: Still = table.glance()
    while True:
        keys = {"corner": NAMES[n], "instead": "space keeps the first sheet's frame"}
        table.teller.tell("ask", what="mat_corners", n=n + 1, of=CORNERS, **keys)
        if answered(table, unlike, GO_ON) is None:
            return None
        found = pointed_px(under_lamp(table, FRAMES, rig.tone), bare, rig.camera.pinhole, rig.tone)
        unlike = table.glance()
        if not isinstance(found, NotFound):
            table.teller.tell("seen", what="mat_corners", n=n + 1, of=CORNERS)
            return found
        table.teller.tell("refused", what="mat_corners", why="not_seen", do=f"{found.why}: {found.do}")
