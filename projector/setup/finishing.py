"""From solved devices to a rig: put together, given its marks on the bare mat, and checked against itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration.area import area_mat_mm
from calibration.beam.projector import ProjectorSolution
from calibration.lens.camera import CameraSolution
from calibration.mat.frame import MatFrame
from calibration.mat.landmarks import choose_landmarks
from calibration.mat.moved import dots_to_show, with_dots
from calibration.rig import Rig
from calibration.tone import SRGB, Tone
from projector.setup.closure import Closure, closure, dot_pictures
from projector.setup.looking import LAMP, even
from projector.setup.rigpicture import Arrows
from projector.table.devices import Picture, Table
from projector.telling.events import Event

Floats = NDArray[np.float64]

BARE_FRAMES = 16  # that patches are made of: their noise stays in every later glance and realigned pose


@dataclass(frozen=True, eq=False, slots=True)
class Finished:
    """A rig that was tried: how well light lands where it was sent. None where the dots were not seen."""

    rig: Rig
    closure: Closure | None


def rig_of(
    camera: CameraSolution, projector: ProjectorSolution | None, lines: tuple[str, ...] = (), tone: Tone = SRGB
) -> Rig:
    """Put solved devices into a rig, dated now."""
    lit = None if projector is None else projector.device.pinhole
    seen = camera.device if projector is None else projector.camera
    return Rig(
        seen,
        None if projector is None else projector.device,
        camera.scale_u,
        area_mat_mm(seen.pinhole, camera.covered_mat_mm, lit),
        datetime.now().astimezone(),
        scale_how=camera.scale_how,
        tone=tone,
        blur_px=camera.blur_px if np.isfinite(camera.blur_px) else None,
        views=lines or tuple(str(view) for view in camera.views),
        notes=(*camera.notes, *(() if projector is None else projector.notes)),
    )


def finish(table: Table, rig: Rig) -> Finished:
    """Keep what the bare mat looks like and where dots of light are seen, and close the loop."""
    if rig.landmarks is None:
        known = choose_landmarks(bare_pictures(table), rig.camera.pinhole, outline_mat_mm(rig))
        rig = replace(rig, landmarks=known)
    dots = dots_to_show(rig)
    pictures = dot_pictures(table, rig, dots)
    rig = with_dots(rig, pictures.lit, pictures.dark, pictures.even)
    return Finished(rig, None if rig.dots is None else closure(rig, rig.dots))


def outline_mat_mm(rig: Rig) -> Floats:
    """(M, 2) where marks of the mat may lie: within its outline where that is known, else within the area."""
    if rig.mat_mm is None:
        return rig.area_mat_mm
    width, depth = rig.mat_mm
    return np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])


def bare_pictures(table: Table) -> list[Picture]:
    """The mat under even light."""
    table.throw(even(table.display.size_px, LAMP))
    return table.looks(BARE_FRAMES)


def arrows_of(found: Finished) -> Arrows | None:
    """Where light was sent, and how far off the camera saw it."""
    if found.closure is None:
        return None
    off = found.closure.seen_mat_mm - found.closure.told_mat_mm
    seen = np.isfinite(off[:, 0])
    return Arrows(found.closure.told_mat_mm[seen], off[seen], "from where light was sent to where it was seen")


def residual_arrows(camera: CameraSolution, frame: MatFrame | None = None) -> Arrows:
    """Where the corners of the flat sheets lay, and how far off the camera places them; in a mat's frame if given."""
    lay, seen = camera.covered_mat_mm, camera.covered_mat_mm + camera.misses_mat_mm
    if frame is not None:
        lay, seen = frame.mat_from_rig(lay), frame.mat_from_rig(seen)
    return Arrows(lay, seen - lay, "from where a corner of the sheet lay to where it was seen")


def told_closure(found: Closure | None) -> Event:
    """The keys of the event that tells how well the loop closes."""
    if found is None:
        return {"dots": 0, "closure_mm": None, "closure_worst_mm": None}
    rms_mm, worst_mm = round(found.rms_mm, 4), round(found.worst_mm, 4)
    return {"dots": len(found.off_mm), "closure_mm": rms_mm, "closure_worst_mm": worst_mm}
