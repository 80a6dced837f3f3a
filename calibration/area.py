"""Which part of the mat a rig is good for."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.polygon import orient

from calibration.pinhole import Pinhole

Floats = NDArray[np.float64]

RIM_PX = 4.0  # next to the picture's rim an edge cannot be measured
BEYOND_MM = 100.0  # how far past what was calibrated the lens model is still believed
SIDE_POINTS = 25


def footprint_mat_mm(device: Pinhole, height_mm: float = 0.0) -> shapely.Polygon:
    """The part of the mat that a device sees or lights, its picture's rim left out; empty if none."""
    rim_px = _rim_px(device.lens.size_px)
    with np.errstate(invalid="ignore", divide="ignore"):
        rim_mm = device.mat_from_px(rim_px, height_mm)
        back_px = device.px_from_mat(rim_mm, height_mm)
        depth_mm = rim_mm @ device.rotation[2, :2] + device.rotation[2, 2] * height_mm + device.translation_mm[2]
    # past the horizon a ray meets the mat behind the lens; past the lens model's reach there is no way back
    seen = (depth_mm > 0) & np.all(np.abs(back_px - rim_px) < 0.01, axis=1)
    polygon = shapely.Polygon(rim_mm[seen]) if seen.sum() >= 3 else shapely.Polygon()
    return polygon if polygon.is_valid else shapely.Polygon()


def _rim_px(size_px: tuple[int, int]) -> Floats:
    w, h = (side - 1 - RIM_PX for side in size_px)
    along = np.linspace(0.0, 1.0, SIDE_POINTS, endpoint=False)
    corners = np.array([[RIM_PX, RIM_PX], [RIM_PX, h], [w, h], [w, RIM_PX]])
    sides = [a + along[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return np.concatenate(sides)


def area_mat_mm(camera: Pinhole, covered_mat_mm: Floats, projector: Pinhole | None = None) -> Floats:
    """(M, 2) counter-clockwise outline of where the rig can be used.

    What the camera sees and the projector lights, no further than `BEYOND_MM` from the hull of what was
    calibrated. Raises ValueError where nothing is left.
    """
    known = shapely.MultiPoint(np.asarray(covered_mat_mm, float)).convex_hull.buffer(BEYOND_MM)
    area = footprint_mat_mm(camera).intersection(known)
    if projector is not None:
        area = area.intersection(footprint_mat_mm(projector))
    if not isinstance(area, shapely.Polygon) or area.is_empty:
        raise ValueError("camera and projector have no part of the mat in common")
    coarse = shapely.get_exterior_ring(orient(area).simplify(0.5))
    return np.asarray(shapely.get_coordinates(coarse)[:-1], float)
