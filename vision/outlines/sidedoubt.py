"""How doubt of a unit's sides becomes doubt of its corners, lengths, angles and widths.

Each side is a line with two errors: its offset outward at its midpoint (mm) and its tilt counter-clockwise (rad). All
sides of a unit have one joint covariance, kept by where it comes from: the picture itself errs for each side alone,
while a wrong lens height or scale moves all sides together, and then takes part in a difference or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.polygons import outward_normals, side_lengths, sides_of

Floats = NDArray[np.float64]

PARTS = ("repeatable", "rig", "scale", "cloth")


@dataclass(frozen=True, eq=False, slots=True)
class SideDoubt:
    """Joint covariances (2N, 2N) of N sides: first the N offsets in mm, outward, then the N tilts in rad."""

    corners_mat_mm: Floats  # (N, 2) of the outline whose sides these are
    repeatable: Floats
    rig: Floats
    scale: Floats
    cloth: Floats

    @property
    def total(self) -> Floats:
        """(2N, 2N): all parts together."""
        return np.asarray(self.repeatable + self.rig + self.scale + self.cloth)

    def rolled(self, roll: int) -> SideDoubt:
        """The same, its sides numbered as `np.roll(corners, roll, axis=0)` numbers them."""
        n = len(self.corners_mat_mm)
        order = np.concatenate([np.roll(np.arange(n), roll), n + np.roll(np.arange(n), roll)])
        parts = (getattr(self, part)[np.ix_(order, order)] for part in PARTS)
        return SideDoubt(np.roll(self.corners_mat_mm, roll, axis=0), *parts)

    def of(self, slopes: Floats) -> Floats:
        """(K, K): covariance of K figures from their slopes (K, 2N) by offsets and tilts."""
        return np.asarray(slopes @ self.total @ slopes.T)

    def parts_of(self, slopes: Floats) -> dict[str, Floats]:
        """Standard uncertainties (K,) of K figures, part by part."""
        return {
            part: np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", slopes, getattr(self, part), slopes), 0.0))
            for part in PARTS
        }

    def u_of(self, slopes: Floats) -> Floats:
        """(K,): standard uncertainties of K figures."""
        return np.asarray(np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", slopes, self.total, slopes), 0.0)))

    def ends_u_mm(self) -> Floats:
        """(N,) across each side, at that of its ends where it is less sure."""
        n, half, total = len(self.corners_mat_mm), side_lengths(self.corners_mat_mm) / 2.0, self.total
        offsets, tilts, both = np.diag(total)[:n], np.diag(total)[n:], np.diagonal(total, n)
        return np.asarray(np.sqrt(offsets + half**2 * tilts + 2.0 * half * np.abs(both)))

    def lengths_u_mm(self) -> Floats:
        """(N,) of the sides' lengths."""
        return self.u_of(length_slopes(self.corners_mat_mm))

    def angles_u_rad(self) -> Floats:
        """(N,) of the interior angle at each corner."""
        return self.u_of(angle_slopes(len(self.corners_mat_mm)))


def corner_slopes(corners: Floats) -> Floats:
    """(2N, 2N): each corner's x and y, in turn, by offsets and tilts of the sides.

    A side's line n . p = c moves by d + t s at a place s along it from its midpoint, where d is the offset and t the
    tilt; as counter-clockwise turning lowers the outward distance ahead, that is d - t s. Two such lines meet anew.
    """
    n, normals, half = len(corners), outward_normals(corners), side_lengths(corners) / 2.0
    slopes, at, before = np.zeros((n, 2, 2 * n)), np.arange(n), np.arange(n) - 1
    meet = np.linalg.inv(np.stack([normals[before], normals], axis=1))  # (N, 2, 2)
    slopes[at, :, before % n] = meet[:, :, 0]
    slopes[at, :, at] = meet[:, :, 1]
    slopes[at, :, n + before % n] = -meet[:, :, 0] * half[before, None]
    slopes[at, :, n + at] = meet[:, :, 1] * half[:, None]
    return slopes.reshape(2 * n, 2 * n)


def length_slopes(corners: Floats) -> Floats:
    """(N, 2N): each side's length by offsets and tilts."""
    n, along = len(corners), sides_of(corners) / side_lengths(corners)[:, None]
    by = corner_slopes(corners).reshape(n, 2, 2 * n)
    return np.asarray(np.einsum("ik,ikj->ij", along, np.roll(by, -1, axis=0) - by))


def angle_slopes(n: int) -> Floats:
    """(N, 2N): each interior angle by offsets and tilts: the side before, turned, widens it, the side after narrows."""
    slopes = np.zeros((n, 2 * n))
    for i in range(n):
        slopes[i, n + (i - 1) % n] += 1.0
        slopes[i, n + i] -= 1.0
    return slopes


def width_slopes(corners: Floats, i: int, j: int) -> Floats:
    """(2N,): the mean distance of two about parallel sides (`side_distances`) by offsets and tilts."""
    n, ahead = len(corners), sides_of(corners)
    middles, lengths = corners + ahead / 2.0, side_lengths(corners)
    slopes = np.zeros(2 * n)
    for one, other in ((i, j), (j, i)):
        slopes[one] += 0.5
        slopes[other] += 0.5
        past = float((middles[one] - middles[other]) @ ahead[other]) / lengths[other]
        slopes[n + other] -= 0.5 * past
    return slopes
