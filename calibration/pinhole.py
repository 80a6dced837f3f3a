"""A pinhole lens with distortion over the mat: camera, or projector as a camera that runs backwards.

Pixels: the centre of the first pixel is (0, 0). Device axes: x right, y down, z out of the lens
(OpenCV's). The mat frame: x right, y away from the person, z up, the mat's surface at z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UNDISTORT_STEPS = 30  # Newton reaches 1e-12 in five; the rest is for lenses at the rim of what is invertible


@dataclass(frozen=True, eq=False, slots=True)
class Lens:
    """Inner parameters of one device.

    `distortion` is (k1, k2, p1, p2, k3) of the Brown-Conrady model in OpenCV's order:
    x' = x (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 x y + p2 (r^2 + 2 x^2), likewise y' with p1, p2 swapped
    (OpenCV documentation, "Camera Calibration and 3D Reconstruction").
    """

    size_px: tuple[int, int]  # width, height
    focal_px: tuple[float, float]  # fx, fy
    centre_px: tuple[float, float]  # cx, cy
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def matrix(self) -> Floats:
        """The (3, 3) camera matrix."""
        (fx, fy), (cx, cy) = self.focal_px, self.centre_px
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    def distort(self, rays: Floats) -> Floats:
        """Map ideal image points (..., 2) (x/z, y/z) to where the lens puts them, same units."""
        k1, k2, p1, p2, k3 = self.distortion
        x, y = rays[..., 0], rays[..., 1]
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        distorted = np.empty(rays.shape)
        distorted[..., 0] = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        distorted[..., 1] = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        return distorted

    def undistort(self, distorted: Floats) -> Floats:
        """Invert `distort` by Newton's method, to 1e-12; points that the model cannot reach become NaN."""
        k1, k2, p1, p2, k3 = self.distortion
        rays = np.array(distorted, dtype=np.float64)
        error = np.zeros_like(rays)
        for _ in range(UNDISTORT_STEPS):
            error = self.distort(rays) - distorted
            if not np.any(np.abs(error) > 1e-13):
                break
            x, y = rays[..., 0], rays[..., 1]
            r2 = x * x + y * y
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))  # d radial / d (r^2), times 2
            xx = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
            xy = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
            yy = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
            det = xx * yy - xy * xy
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                rays[..., 0] -= (yy * error[..., 0] - xy * error[..., 1]) / det
                rays[..., 1] -= (xx * error[..., 1] - xy * error[..., 0]) / det
        reached = np.abs(error) < 1e-6
        rays[~(reached[..., 0] & reached[..., 1])] = np.nan
        return rays

    def px_from_rays(self, rays: Floats) -> Floats:
        """Ideal image points (..., 2) to pixels (..., 2)."""
        return np.asarray(self.distort(rays) * np.array(self.focal_px) + np.array(self.centre_px))

    def rays_from_px(self, points_px: Floats) -> Floats:
        """Pixels (..., 2) to ideal image points (..., 2)."""
        return self.undistort((np.asarray(points_px, float) - np.array(self.centre_px)) / np.array(self.focal_px))


@dataclass(frozen=True, eq=False)
class Pinhole:
    """A lens that hangs over the mat: `X_device = rotation @ X_mat + translation_mm`."""

    lens: Lens
    rotation: Floats  # (3, 3), device from mat
    translation_mm: Floats  # (3,)

    @cached_property
    def lens_mat_mm(self) -> Floats:
        """Where the lens is, (3,) in the mat frame; its foot is (x, y), its height z."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    def px_from_mat(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """Pixels (..., 2) at which points (..., 2) of the mat, `height_mm` above it, are seen or lit."""
        p = np.asarray(points_mat_mm, float)
        x = p @ self.rotation[:, :2].T + (self.translation_mm + self.rotation[:, 2] * height_mm)
        return self.lens.px_from_rays(x[..., :2] / x[..., 2:])

    def mat_from_px(self, points_px: Floats, height_mm: float = 0.0) -> Floats:
        """Points (..., 2) of the plane `height_mm` above the mat that the pixels (..., 2) show or light."""
        rays = self.lens.rays_from_px(points_px)
        directions = np.concatenate([rays, np.ones_like(rays[..., :1])], axis=-1) @ self.rotation
        reach = (height_mm - self.lens_mat_mm[2]) / directions[..., 2:]
        return np.asarray(self.lens_mat_mm[:2] + directions[..., :2] * reach)

    def mat_by_height(self, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
        """(..., 2): how what fixed pixels show at points (..., 2) moves as their plane rises, mm per mm."""
        lens = self.lens_mat_mm
        return np.asarray((lens[:2] - points_mat_mm) / (lens[2] - height_mm))
