"""How pixels move when a device, its lens or a point moves: the slopes behind solves and uncertainties.

Parameters of a device are always in one order: fx, fy, cx, cy, k1, k2, p1, p2, k3, a turn (3, radians,
applied after the rotation), translation (3, mm). A point at X in device axes is turned by w to X + w x X.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole

Floats = NDArray[np.float64]

PARAMETERS = 15
LENS_PARAMETERS = 9


@dataclass(frozen=True, eq=False, slots=True)
class Projected:
    """Pixels of points, and their slopes."""

    px: Floats  # (N, 2)
    by_parameters: Floats  # (N, 2, 15)
    by_point: Floats  # (N, 2, 3) by the point in mat mm


def project(pinhole: Pinhole, points_mat_mm: Floats) -> Projected:
    """Project points (N, 3) of the mat frame, with slopes derived from `Lens.distort` by hand."""
    lens = pinhole.lens
    turned = points_mat_mm @ pinhole.rotation.T
    device = turned + pinhole.translation_mm
    depth = device[:, 2]
    rays = device[:, :2] / depth[:, None]
    distorted = lens.distort(rays)
    px = distorted * np.array(lens.focal_px) + np.array(lens.centre_px)
    by_ray, by_distortion = _distortion_slopes(lens, rays)
    focal = np.array(lens.focal_px)[None, :, None]
    ray_by_device = np.zeros((len(rays), 2, 3))
    ray_by_device[:, 0, 0] = ray_by_device[:, 1, 1] = 1.0 / depth
    ray_by_device[:, :, 2] = -rays / depth[:, None]
    by_device = focal * (by_ray @ ray_by_device)
    by_parameters = np.zeros((len(rays), 2, PARAMETERS))
    by_parameters[:, 0, 0] = distorted[:, 0]
    by_parameters[:, 1, 1] = distorted[:, 1]
    by_parameters[:, 0, 2] = by_parameters[:, 1, 3] = 1.0
    by_parameters[:, :, 4:9] = focal * by_distortion
    by_parameters[:, :, 9:12] = -by_device @ cross_matrices(turned)
    by_parameters[:, :, 12:15] = by_device
    return Projected(px, by_parameters, by_device @ pinhole.rotation)


def _distortion_slopes(lens: Lens, rays: Floats) -> tuple[Floats, Floats]:
    """(N, 2, 2) by the ideal ray and (N, 2, 5) by k1, k2, p1, p2, k3."""
    k1, k2, p1, p2, k3 = lens.distortion
    x, y = rays[:, 0], rays[:, 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
    mixed = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    by_ray = np.empty((len(rays), 2, 2))
    by_ray[:, 0, 0] = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    by_ray[:, 1, 1] = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    by_ray[:, 0, 1] = by_ray[:, 1, 0] = mixed
    by_x = np.stack([x * r2, x * r2**2, 2.0 * x * y, r2 + 2.0 * x * x, x * r2**3], axis=-1)
    by_y = np.stack([y * r2, y * r2**2, r2 + 2.0 * y * y, 2.0 * x * y, y * r2**3], axis=-1)
    return by_ray, np.stack([by_x, by_y], axis=1)


def cross_matrices(vectors: Floats) -> Floats:
    """(..., 3, 3) matrices that do `v x .` for (..., 3) vectors."""
    out = np.zeros((*vectors.shape, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -z, y, -x
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = z, -y, x
    return out


def turn(vector_rad: Floats) -> Floats:
    """The (3, 3) rotation about a vector by its length (Rodrigues' formula)."""
    k = cross_matrices(vector_rad)
    angle = float(np.linalg.norm(vector_rad))
    sine = np.sinc(angle / np.pi)
    versine = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2  # (1 - cos a) / a^2
    return np.asarray(np.eye(3) + sine * k + versine * k @ k)


def turn_slope(vector_rad: Floats) -> Floats:
    """(3, 3): the turn, applied after, that a little more of the vector makes (left Jacobian of SO(3))."""
    k = cross_matrices(vector_rad)
    angle = float(np.linalg.norm(vector_rad))
    versine = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    rest = (1.0 - np.sinc(angle / np.pi)) / angle**2 if angle > 1e-3 else 1.0 / 6.0 - angle**2 / 120.0
    return np.asarray(np.eye(3) + versine * k + rest * k @ k)


def moved(pinhole: Pinhole, step: Floats) -> Pinhole:
    """The device with its 15 parameters moved by a step."""
    return Pinhole(
        lens_moved(pinhole.lens, step[:LENS_PARAMETERS]),
        turn(step[9:12]) @ pinhole.rotation,
        pinhole.translation_mm + step[12:15],
    )


def lens_moved(lens: Lens, step: Floats) -> Lens:
    """The lens with its nine parameters moved by a step."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = (np.array(lens_vector(lens)) + step).tolist()
    return replace(lens, focal_px=(fx, fy), centre_px=(cx, cy), distortion=(k1, k2, p1, p2, k3))


def lens_vector(lens: Lens) -> Floats:
    """The nine parameters of a lens in the common order."""
    return np.array([*lens.focal_px, *lens.centre_px, *lens.distortion])


def mat_by_parameters(pinhole: Pinhole, points_mat_mm: Floats, height_mm: float = 0.0) -> Floats:
    """(N, 2, 15): how the mat points (N, 2) that fixed pixels show move when the parameters move, mm."""
    points = np.column_stack([points_mat_mm, np.full(len(points_mat_mm), height_mm)])
    slopes = project(pinhole, points)
    return np.asarray(-np.linalg.solve(slopes.by_point[:, :, :2], slopes.by_parameters))
