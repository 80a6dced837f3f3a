"""A calibrated table: camera, projector if there is one, and how far both can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.mat.dots import Dots
from calibration.mat.landmarks import Landmarks
from calibration.pinhole import Pinhole
from calibration.projection import mat_by_parameters
from calibration.tone import SRGB, Tone

Floats = NDArray[np.float64]

GRID = 24  # points along the longer side of the area at which a device is judged


@dataclass(frozen=True, eq=False)
class Device:
    """One solved device: its pinhole, and the covariance of its parameters.

    `covariance` is (15, 15) over fx, fy, cx, cy, k1, k2, p1, p2, k3, rotation vector (3, a turn applied after
    `pinhole.rotation`, radians), translation (3, mm). The mat frame itself counts as exact: a rigid motion of
    all that is known of the mat is not an error.
    """

    pinhole: Pinhole
    covariance: Floats
    residual_px: float  # RMS over x and y of all corners or dots used

    def u_mat_mm(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """Covariance (N, 2, 2), mm^2, of where the pixels that belong to mat points (N, 2) really lie.

        First order. Points of one rig err together: a short length is surer than its two ends.
        """
        slopes = mat_by_parameters(self.pinhole, np.asarray(points_mat_mm, float), height_mm)
        return np.asarray(slopes @ self.covariance @ np.swapaxes(slopes, 1, 2))


@dataclass(frozen=True, slots=True)
class OverArea:
    """Standard uncertainty of a place, as a distance, over the area of a rig."""

    rms_mm: float
    worst_mm: float


@dataclass(frozen=True, eq=False)
class Rig:
    """Everything that the table knows of its devices. The mat frame is said in `frame`."""

    camera: Device
    projector: Device | None
    scale_u: float  # relative standard uncertainty of every length
    area_mat_mm: Floats  # (M, 2) counter-clockwise: where camera sees (and projector lights) the mat
    made: datetime
    frame: str = "sheet"  # whose frame the mat frame is: the first flat sheet's ("sheet"), or the mat's ("mat")
    frame_how: str = ""  # how the mat's frame was found: its outline, its grid, or corners that were pointed out
    mat_mm: tuple[float, float] | None = None  # width and depth of the mat, where its outline is known
    board: str = ""  # what was printed on the sheet, as people write it: "charuco:8x6:30mm:22mm:DICT_5X5_100"
    scale_how: str = ""  # what `scale_u` rests on, for people: "your reading of the bars"
    tone: Tone = SRGB  # of the camera
    mat_over_paper: float | None = None  # how bright the bare mat is beside the sheet's white in the same light
    blur_px: float | None = None  # standard deviation of the camera's edge response in linear light, pixel included
    landmarks: Landmarks | None = None  # by which the camera knows the bare mat again
    dots: Dots | None = None  # where the camera saw a few dots of the projector when the rig was made
    views: tuple[str, ...] = ()  # one line a view: name, corners, residual, refused or not and why
    notes: tuple[str, ...] = field(default_factory=tuple)  # priors used, how it was checked

    def u_camera_mm(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """Covariance (N, 2, 2), mm^2, of where the camera places what it sees at mat points (N, 2)."""
        return self.camera.u_mat_mm(points_mat_mm, height_mm) + self._scale_mm2(points_mat_mm)

    def u_projector_mm(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """Covariance (N, 2, 2), mm^2, of where light aimed at mat points (N, 2) lands.

        Raises ValueError without a projector.
        """
        if self.projector is None:
            raise ValueError("this rig has no projector")
        return self.projector.u_mat_mm(points_mat_mm, height_mm) + self._scale_mm2(points_mat_mm)

    def camera_over_area(self, height_mm: float = 0.0) -> OverArea:
        """RMS and worst standard uncertainty of the camera over the rig's area; `scale_u` comes on top."""
        return _over_area(self.camera.u_mat_mm(grid_points(self.area_mat_mm), height_mm))

    def projector_over_area(self, height_mm: float = 0.0) -> OverArea | None:
        """The same of the projector; None without one."""
        if self.projector is None:
            return None
        return _over_area(self.projector.u_mat_mm(grid_points(self.area_mat_mm), height_mm))

    def _scale_mm2(self, points_mat_mm: Floats) -> Floats:
        """What a wrong scale does to places, seen from the middle of the area."""
        away = np.asarray(points_mat_mm, float) - _middle(self.area_mat_mm)
        return np.asarray(self.scale_u**2 * away[:, :, None] * away[:, None, :])


def _over_area(covariances_mm2: Floats) -> OverArea:
    distance2 = np.trace(covariances_mm2, axis1=1, axis2=2)
    return OverArea(float(np.sqrt(distance2.mean())), float(np.sqrt(distance2.max())))


def _middle(area_mat_mm: Floats) -> Floats:
    centre = shapely.Polygon(area_mat_mm).centroid
    return np.array([centre.x, centre.y])


def grid_points(area_mat_mm: Floats, count: int = GRID) -> Floats:
    """Points (N, 2) of a square grid over a polygon, `count` along its longer side, its corners added."""
    area = shapely.Polygon(area_mat_mm)
    x0, y0, x1, y1 = area.bounds
    pitch = max(x1 - x0, y1 - y0) / count
    x, y = np.meshgrid(np.arange(x0 + pitch / 2, x1, pitch), np.arange(y0 + pitch / 2, y1, pitch))
    points = np.column_stack([x.ravel(), y.ravel()])
    inside = shapely.contains_xy(area, points)
    return np.concatenate([points[inside], np.asarray(area_mat_mm, float)])
