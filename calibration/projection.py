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


@dataclass(frozen=True, eq=False, slots=True)
class Imaged:
    """Pixels of points in device axes, and their slopes."""

    px: Floats  # (N, 2)
    by_lens: Floats  # (N, 2, 9)
    by_device: Floats  # (N, 2, 3) by the point in device axes, mm


def image(lens: Lens, device_mm: Floats) -> Imaged:
    """Pixels of points (N, 3) in device axes, with slopes derived from `Lens.distort` by hand."""
    depth = device_mm[:, 2]
    rays = device_mm[:, :2] / depth[:, None]
    distorted = lens.distort(rays)
    by_ray, by_distortion = _distortion_slopes(lens, rays)
    focal = np.array(lens.focal_px)
    by_ray *= focal[:, None] / depth[:, None, None]
    by_device = np.empty((len(rays), 2, 3))
    by_device[:, :, :2] = by_ray
    by_device[:, :, 2] = -np.einsum("nij,nj->ni", by_ray, rays)
    by_lens = np.zeros((len(rays), 2, LENS_PARAMETERS))
    by_lens[:, 0, 0] = distorted[:, 0]
    by_lens[:, 1, 1] = distorted[:, 1]
    by_lens[:, 0, 2] = by_lens[:, 1, 3] = 1.0
    by_lens[:, :, 4:9] = focal[:, None] * by_distortion
    return Imaged(distorted * focal + np.array(lens.centre_px), by_lens, by_device)


def project(pinhole: Pinhole, points_mat_mm: Floats) -> Projected:
    """Project points (N, 3) of the mat frame, with slopes."""
    turned = points_mat_mm @ pinhole.rotation.T
    seen = image(pinhole.lens, turned + pinhole.translation_mm)
    by_turn = -seen.by_device @ cross_matrices(turned)
    by_parameters = np.concatenate([seen.by_lens, by_turn, seen.by_device], axis=2)
    return Projected(seen.px, by_parameters, seen.by_device @ pinhole.rotation)


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


def turn(vectors_rad: Floats) -> Floats:
    """The (..., 3, 3) rotations about vectors (..., 3) by their lengths (Rodrigues' formula)."""
    k = cross_matrices(vectors_rad)
    angle = np.sqrt(np.sum(np.square(vectors_rad), axis=-1))[..., None, None]
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
