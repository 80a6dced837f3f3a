"""The rig of a virtual table as nobody could calibrate it, its lenses exactly as they are: for what comes after.

The two lens models are the same formula, written twice.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from calibration.pinhole import Lens, Pinhole
from calibration.rig import Device, Rig
from projector.rehearsal.optics import Optics
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.sizes import MAT_MM

RIM_MM = 1.0  # of the mat that the rig does not count to its area
U = 1e-10  # variance of each parameter: as good as none


def exact_rig(setting: Setting) -> Rig:
    """Camera and projector of a setting, the mat's frame and scale without error."""
    x, y = MAT_MM
    corners = [[RIM_MM, RIM_MM], [x - RIM_MM, RIM_MM], [x - RIM_MM, y - RIM_MM], [RIM_MM, y - RIM_MM]]
    made = datetime(2026, 11, 29, tzinfo=UTC)
    return Rig(_device(setting.camera), _device(setting.projector), 1e-5, np.array(corners), made, frame="mat")


def _device(optics: Optics) -> Device:
    lens = Lens(optics.size_px, optics.focal_px, optics.centre_px, optics.brown)
    return Device(Pinhole(lens, optics.axes, -optics.axes @ optics.at_mm), np.eye(15) * U, 0.05)
