"""The virtual table's own lens: where a point of the world lands on a device, and what a pixel looks at.

World: x right, y away from the person, z up, millimetres. Pixels: the centre of the first pixel is (0, 0).
Image points are complex numbers x + iy here (x right, y down), which makes the Brown lens one line: bend(z)
= z (1 + k1 s + k2 s^2 + k3 s^3) + 2 p s + conj(p) z^2 with s = |z|^2 and p = p2 + i p1 (D. C. Brown,
"Decentering distortion of lenses", 1966, written in complex form).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NEWTON_STEPS = 8


@dataclass(frozen=True, eq=False)
class Optics:
    """One device that hangs over the mat: a camera, or a projector, which is the same lens the other way
    round."""

    size_px: tuple[int, int]  # width, height
    focal_px: tuple[float, float]
    centre_px: tuple[float, float]
    brown: tuple[float, float, float, float, float]  # k1, k2, p1, p2, k3
    axes: Floats  # (3, 3): the device's right, down and forward as unit vectors of the world, a row each
    at_mm: Floats  # (3,): where the lens is

    def bend(self, ideal: Complexes) -> Complexes:
        """Ideal image points to where the glass puts them."""
        k1, k2, p1, p2, k3 = self.brown
        p = complex(p2, p1)
        s = ideal.real**2 + ideal.imag**2
        return ideal * (1.0 + s * (k1 + s * (k2 + s * k3))) + 2.0 * p * s + p.conjugate() * ideal**2

    def straighten(self, bent: Complexes) -> Complexes:
        """Undo `bend` by Newton's method on a function of z and its conjugate."""
        k1, k2, p1, p2, k3 = self.brown
        p = complex(p2, p1)
        z = np.array(bent, dtype=np.complex128)
        for _ in range(NEWTON_STEPS):
            s = z.real**2 + z.imag**2
            radial, slope = 1.0 + s * (k1 + s * (k2 + s * k3)), k1 + s * (2.0 * k2 + 3.0 * k3 * s)
            by_z = radial + s * slope + 2.0 * p * z.conj() + 2.0 * p.conjugate() * z
            by_conjugate = z**2 * slope + 2.0 * p * z
            miss = self.bend(z) - bent
            z -= (by_z.conj() * miss - by_conjugate * miss.conj()) / (np.abs(by_z) ** 2 - np.abs(by_conjugate) ** 2)
        return z

    def px_from_world(self, points_mm: Floats) -> Floats:
        """Pixels (..., 2) of points (..., 3) of the world."""
        local = (np.asarray(points_mm, float) - self.at_mm) @ self.axes.T
        bent = self.bend(np.asarray((local[..., 0] + 1j * local[..., 1]) / local[..., 2], np.complex128))
        return np.stack(
            [
                self.focal_px[0] * bent.real + self.centre_px[0],
                self.focal_px[1] * bent.imag + self.centre_px[1],
            ],
            axis=-1,
        )

    def beams_from_px(self, points_px: Floats) -> Floats:
        """Directions (..., 3) in the world, one unit deep along the lens' axis, of pixels (..., 2)."""
        points = np.asarray(points_px, float)
        bent = (points[..., 0] - self.centre_px[0]) / self.focal_px[0] + 1j * (
            (points[..., 1] - self.centre_px[1]) / self.focal_px[1]
        )
        ideal = self.straighten(bent)
        return np.asarray(np.stack([ideal.real, ideal.imag, np.ones(ideal.shape)], axis=-1) @ self.axes)

    def px_from_level(self, points_mm: Floats, height_mm: float) -> Floats:
        """Pixels (..., 2) of points (..., 2) that lie `height_mm` above the mat."""
        points = np.asarray(points_mm, float)
        return self.px_from_world(np.concatenate([points, np.full_like(points[..., :1], height_mm)], axis=-1))

    def level_from_px(self, points_px: Floats, height_mm: float) -> Floats:
        """Points (..., 2) of the plane `height_mm` above the mat that pixels (..., 2) see or light."""
        beams = self.beams_from_px(points_px)
        return np.asarray(self.at_mm[:2] + beams[..., :2] * ((height_mm - self.at_mm[2]) / beams[..., 2:]))

    def holds(self, points_mm: Floats, height_mm: float, margin_px: float) -> bool:
        """Whether all points (..., 2) at that height lie in the picture, `margin_px` from its rim."""
        pixels = self.px_from_level(points_mm, height_mm)
        return bool(np.all((pixels > margin_px) & (pixels < np.array(self.size_px) - 1 - margin_px)))


def turn_about(axis_mm: Floats, angle_rad: float) -> Floats:
    """Rotation matrix (3, 3) about an axis through the origin (Rodrigues' formula)."""
    x, y, z = axis_mm / np.linalg.norm(axis_mm)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + np.sin(angle_rad) * cross + (1.0 - np.cos(angle_rad)) * cross @ cross)


def looking_at(at_mm: Floats, target_mm: Floats, roll_rad: float) -> Floats:
    """Axes of a device at `at_mm` that looks at `target_mm`, its right along the world's x but for
    `roll_rad`."""
    forward = target_mm - at_mm
    forward = forward / np.linalg.norm(forward)
    right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
    right = right / np.linalg.norm(right)
    axes = np.array([right, np.cross(forward, right), forward])
    return np.asarray(axes @ turn_about(forward, roll_rad))


def facing(axes: Floats, forward_mm: Floats) -> Floats:
    """The same axes turned the short way until they look along `forward_mm` (3,), of any length."""
    forward = forward_mm / np.linalg.norm(forward_mm)
    pole = np.cross(axes[2], forward)
    sine = float(np.linalg.norm(pole))
    if sine == 0.0:
        return axes
    return np.asarray(axes @ turn_about(pole, float(np.arctan2(sine, axes[2] @ forward))).T)


def quarter_turned(axes: Floats, count: int) -> Floats:
    """Axes of a device turned by quarters about its own axis, clockwise for who looks along it; exact."""
    for _ in range(count % 4):
        axes = np.array([axes[1], -axes[0], axes[2]])
    return axes


def bumped(lens: Optics, shift_mm: Floats, turn_rad: Floats, about_mm: Floats) -> Optics:
    """The same lens elsewhere: turned by a rotation vector (3,) about a point (3,), then shifted by (3,)."""
    angle = float(np.linalg.norm(turn_rad))
    turn = turn_about(turn_rad, angle) if angle > 0.0 else np.eye(3)
    return replace(lens, at_mm=about_mm + turn @ (lens.at_mm - about_mm) + shift_mm, axes=lens.axes @ turn.T)


def filled(lens: Optics, corners_mm: Floats, fill: float, shift: bool) -> Optics:
    """The same lens zoomed until the corners (N, 2) of the mat span `fill` of the tighter side of its
    picture.

    With `shift` the principal point moves so that the corners sit in the middle, as a projector's shifted
    lens does.
    """
    for _ in range(20):
        pixels = lens.px_from_level(corners_mm, 0.0)
        least, most = pixels.min(axis=0), pixels.max(axis=0)
        zoom = float(np.min(fill * np.array(lens.size_px) / (most - least)))
        focal = (lens.focal_px[0] * zoom, lens.focal_px[1] * zoom)
        lens = replace(lens, focal_px=focal)
        if shift:
            off = (np.array(lens.size_px) - 1) / 2 - (least + most) / 2
            lens = replace(lens, centre_px=(lens.centre_px[0] + off[0], lens.centre_px[1] + off[1]))
    return lens
