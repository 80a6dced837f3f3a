"""Where the lamp hangs, as far as the rig knows it: the shadow that cloth throws in its light follows."""

from __future__ import annotations

import math

import numpy as np

from calibration.projection import mat_by_parameters
from calibration.rig import Rig, grid_points
from vision.lamplight.lamp import LampShadow
from vision.measure import Cloth

MOST_U = 1.0 / 3.0  # of the shadow's reach: who knows less had better let the picture tell
COARSE = 5


def lamp_of(rig: Rig, cloth: Cloth) -> LampShadow | None:
    """The projector's lens as a lamp, the room's light being taken out; None where its place is hardly known.

    Without a taped height a lens over a flat mat may hang much higher or lower than the rig says.
    """
    if rig.projector is None or cloth.height_mm <= 0.0:
        return None
    pinhole, points = rig.projector.pinhole, grid_points(rig.area_mat_mm, COARSE)
    lamp = LampShadow(pinhole.lens_mat_mm, 1.0, 0.0)
    # What a pixel lights at the cloth's height and what it would light of the mat below lie as far apart as the
    # shadow reaches: so does its covariance.
    slopes = mat_by_parameters(pinhole, points) - mat_by_parameters(pinhole, points, cloth.height_mm)
    spread_mm2 = np.einsum("nix,xy,niy->n", slopes, rig.projector.covariance, slopes)
    reach_mm2 = np.sum(lamp.shadow_mm(points, cloth.height_mm) ** 2, axis=1)
    u = math.hypot(math.sqrt(float(spread_mm2.mean() / reach_mm2.mean())), cloth.u_mm / cloth.height_mm)
    return LampShadow(pinhole.lens_mat_mm, 1.0, u) if u <= MOST_U else None
