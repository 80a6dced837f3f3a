"""What a stated length is made of: where its uncertainty comes from, part by part."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.projection import mat_by_parameters
from calibration.rig import Device, Rig, grid_points

Floats = NDArray[np.float64]

LENGTH_MM = 100.0  # whose budget a rig tells
HEIGHT_U_MM = 0.06  # of the top of something thin that lies on the mat


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties of one length, mm."""

    repeatable_mm: float  # what changes from picture to picture: noise of the two ends
    rig_mm: float  # of the calibration, the same in every picture
    scale_mm: float  # of the sheet's own size
    height_mm: float  # of the cloth's thickness, by parallax

    @property
    def combined_mm(self) -> float:
        """All four, which are independent of one another.

        >>> round(Budget(0.02, 0.03, 0.06, 0.0).combined_mm, 12)
        0.07
        """
        return math.hypot(self.repeatable_mm, self.rig_mm, self.scale_mm, self.height_mm)

    def __str__(self) -> str:
        return (
            f"{self.combined_mm:.3f} mm: picture {self.repeatable_mm:.3f}, rig {self.rig_mm:.3f}, "
            f"scale {self.scale_mm:.3f}, height {self.height_mm:.3f}"
        )


def length_budget(
    device: Device, ends_mat_mm: Floats, end_u_px: float, scale_u: float, height_mm: float, height_u_mm: float
) -> Budget:
    """The budget of the length between two points.

    Parameters
    ----------
    device : Device
        The camera, or the projector where the length is that of a line of light.
    ends_mat_mm : (2, 2) float64
        Both ends, mat frame.
    end_u_px : float
        Standard uncertainty of each end in a picture, along the length.
    scale_u : float
        Relative standard uncertainty of every length (the rig's `scale_u`).
    height_mm, height_u_mm : float
        Height of both ends above the mat, and its standard uncertainty (the cloth's thickness).

    Notes
    -----
    Both ends err together by the rig, so that their joint covariance counts; a length seen from straight above
    by a lens H high grows by h / H of itself when it lies h higher.
    """
    ends = np.asarray(ends_mat_mm, float)
    away = ends[1] - ends[0]
    length = float(np.linalg.norm(away))
    if not length > 0:
        raise ValueError("a length needs two different ends")
    across = away / length
    slopes = mat_by_parameters(device.pinhole, ends, height_mm)
    by_parameters = across @ (slopes[1] - slopes[0])
    by_height = across @ np.diff(device.pinhole.mat_by_height(ends, height_mm), axis=0)[0]
    return Budget(
        math.hypot(*(end_u_px * _mm_per_px(device.pinhole, end, across, height_mm) for end in ends)),
        math.sqrt(max(float(by_parameters @ device.covariance @ by_parameters), 0.0)),
        scale_u * length,
        height_u_mm * abs(float(by_height)),
    )


def area_budget(
    device: Device, area_mat_mm: Floats, length_mm: float, end_u_px: float, scale_u: float, height_u_mm: float
) -> Budget:
    """The usual budget (RMS) of a length anywhere in an area, laid along x and along y on a grid of its points.

    Both ends lie within the area, where it is wide enough for the length at all.
    """
    middles = shapely.Polygon(area_mat_mm).buffer(-length_mm / 2, join_style="mitre")
    whole = middles.geom_type == "Polygon" and not middles.is_empty
    points = grid_points(shapely.get_coordinates(middles)[:-1] if whole else area_mat_mm, 8)
    budgets = []
    for way in length_mm / 2 * np.eye(2):
        for point in points:
            ends = np.array([point - way, point + way])
            budgets.append(length_budget(device, ends, end_u_px, scale_u, 0.0, height_u_mm))
    parts = np.array([[b.repeatable_mm, b.rig_mm, b.scale_mm, b.height_mm] for b in budgets])
    return Budget(*np.sqrt(np.mean(parts**2, axis=0)).tolist())


def rig_budget(rig: Rig) -> Budget:
    """Of a length of 100 mm that the rig's camera measures, its ends seen as well as corners of the sheet were."""
    return area_budget(rig.camera, rig.area_mat_mm, LENGTH_MM, rig.camera.residual_px, rig.scale_u, HEIGHT_U_MM)


def budget_data(budget: Budget) -> dict[str, float]:
    """A budget by the names of its parts, mm, for files and scripts."""
    parts = {"repeatable": budget.repeatable_mm, "rig": budget.rig_mm, "scale": budget.scale_mm}
    return {"length": LENGTH_MM, **parts, "height": budget.height_mm, "combined": budget.combined_mm}


def _mm_per_px(pinhole: Pinhole, point_mat_mm: Floats, along: Floats, height_mm: float) -> float:
    """What one pixel of scatter, the same in all directions, means along a direction of the mat."""
    step = 0.01
    moved = pinhole.px_from_mat(np.array([[0, 0], [step, 0], [0, step]]) + point_mat_mm, height_mm)
    px_by_mm = (moved[1:] - moved[0]).T / step
    return float(np.linalg.norm(along @ np.linalg.inv(px_by_mm)))
