"""A rig in the words and keys of its event."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.budget import budget_data, rig_budget
from calibration.rig import Device, Rig, grid_points
from calibration.sheet.placing import where
from projector.telling.events import MM_PLACES, Event

Floats = NDArray[np.float64]

WITHIN = 2.0  # standard uncertainties, for about 95 %


def rig_keys(rig: Rig, file: Path) -> Event:
    """The keys of a `rig` event: residuals in px, standard uncertainties in mm, RMS and worst over the mat.

    `sees` and `lands` are for people: within what the camera places a point and the projector a line in 95 of 100
    cases, in the middle and where it is worst. The scale's own doubt, `scale_u`, comes on top of all of them.
    `budget` says what the standard uncertainty of a length of 100 mm is made of, mm.
    """
    camera, projector = rig.camera_over_area(), rig.projector_over_area()
    return {
        "file": str(file),
        "residual_px": rig.camera.residual_px,
        "camera_u_mm": camera.rms_mm,
        "camera_u_worst_mm": camera.worst_mm,
        "projector_u_mm": None if projector is None else projector.rms_mm,
        "projector_u_worst_mm": None if projector is None else projector.worst_mm,
        "sees": _within(rig, rig.camera),
        "lands": None if rig.projector is None else _within(rig, rig.projector),
        "scale_u": rig.scale_u,
        "scale_how": rig.scale_how,
        "budget": {name: round(part, MM_PLACES) for name, part in budget_data(rig_budget(rig)).items()},
        "frame": rig.frame,
        "frame_how": rig.frame_how,
    }


def _within(rig: Rig, device: Device) -> Event:
    """Within what a line lies in the middle of the area and where it is worst, and where that is."""
    area = shapely.Polygon(rig.area_mat_mm)
    middle = np.array([[area.centroid.x, area.centroid.y]])
    places = grid_points(rig.area_mat_mm)
    spread = line_u_mm(device, places)
    worst = int(np.argmax(spread))
    return {
        "middle_mm": round(WITHIN * float(line_u_mm(device, middle)[0]), MM_PLACES),
        "worst_mm": round(WITHIN * float(spread[worst]), MM_PLACES),
        "worst_where": where(area, places[worst]),
    }


def line_u_mm(device: Device, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
    """(N,) standard uncertainty across a line through each point, in the direction that is worst."""
    return np.asarray(np.sqrt(np.linalg.eigvalsh(device.u_mat_mm(points_mat_mm, height_mm))[:, -1]))
