"""A rig in the words and keys of its event."""

from __future__ import annotations

from pathlib import Path

from calibration.rig import Rig
from projector.events import Event


def rig_keys(rig: Rig, file: Path) -> Event:
    """The keys of a `rig` event: residuals in px, uncertainties in mm, RMS and worst over the mat."""
    camera, projector = rig.camera_over_area(), rig.projector_over_area()
    return {
        "file": str(file),
        "residual_px": rig.camera.residual_px,
        "camera_u_mm": camera.rms_mm,
        "camera_u_worst_mm": camera.worst_mm,
        "projector_u_mm": None if projector is None else projector.rms_mm,
        "projector_u_worst_mm": None if projector is None else projector.worst_mm,
    }
