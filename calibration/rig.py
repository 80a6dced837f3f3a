"""A calibrated table: camera, projector if there is one, and how far both can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Device:
    """One solved device: its pinhole, and the covariance of its parameters.

    `covariance` is (15, 15) over fx, fy, cx, cy, k1, k2, p1, p2, k3, rotation vector (3, a turn applied after
    `pinhole.rotation`, radians), translation (3, mm).
    """

    pinhole: Pinhole
    covariance: Floats
    residual_px: float  # RMS over x and y of all corners or dots used


@dataclass(frozen=True, eq=False)
class Rig:
    """Everything that the table knows of its devices. The mat frame is said in `frame`."""

    camera: Device
    projector: Device | None
    scale_u: float  # relative standard uncertainty of every length
    area_mat_mm: Floats  # (M, 2) counter-clockwise: where camera sees (and projector lights) the mat
    made: datetime
    frame: str = "sheet"  # whose frame the mat frame is: that of the first flat sheet
    views: tuple[str, ...] = ()  # one line a view: name, corners, residual, refused or not and why
    notes: tuple[str, ...] = field(default_factory=tuple)  # priors used, how it was checked
