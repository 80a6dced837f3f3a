"""All sheets as one camera sees them: where every corner should be, and how that moves with every unknown.

Unknowns that all views share: the camera's fifteen in their common order, then the stretch of the sheet. Unknowns of
a view: three of a flat sheet (x and y in mm, a turn in the mat) or six of a tilted one (a turn and a shift in the
camera's axes), then its lifts. Views lie side by side in arrays, short ones filled up with corners of no weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.lens.bending import SHAPES, Extent, extent, shapes
from calibration.lens.together import smooth
from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, PARAMETERS, cross_matrices, image, moved, turn
from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]

STRETCH = PARAMETERS  # its place among the shared unknowns
SHARED = PARAMETERS + 1
POSE = 6
OWN = POSE + SHAPES  # unknowns of one view
PLACE = slice(SHARED, SHARED + 3)
TURN, SHIFT = slice(SHARED, SHARED + 3), slice(SHARED + 3, SHARED + POSE)
LIFTS = slice(SHARED + POSE, SHARED + OWN)


@dataclass(frozen=True, eq=False, slots=True)
class Bundle:
    """A camera over the mat and where each sheet lies, flat ones first. A flat place is (x mm, y mm, angle rad)."""

    camera: Pinhole
    flat_places: Floats  # (F, 3), the first one zero
    tilted_rotations: Floats  # (T, 3, 3), camera from sheet
    tilted_shifts_mm: Floats  # (T, 3)
    thickness_mm: float
    lifts_mm: Floats  # (F + T, 8) of the shapes of `bending`
    stretch: float = 0.0  # of the sheet, along over across, on top of what its bars say

    def moved(self, shared: Floats, own: Floats) -> Bundle:
        """The bundle with its shared (16,) and own (V, 14) unknowns moved by a step."""
        flat = len(self.flat_places)
        return replace(
            self,
            camera=moved(self.camera, shared[:PARAMETERS]),
            flat_places=self.flat_places + own[:flat, :3],
            tilted_rotations=turn(own[flat:, :3]) @ self.tilted_rotations,
            tilted_shifts_mm=self.tilted_shifts_mm + own[flat:, 3:POSE],
            lifts_mm=self.lifts_mm + own[:, POSE:],
            stretch=self.stretch + float(shared[STRETCH]),
        )


@dataclass(frozen=True, eq=False, slots=True)
class Seen:
    """What the views show, side by side: V views of up to N corners."""

    sheet_mm: Floats  # (V, N, 2)
    px: Floats  # (V, N, 2)
    sure: Floats  # (V, N) one over the corners' standard uncertainty, 1/px; 0 where there is no corner
    shapes: Floats  # (V, N, 8)
    stretched: Floats  # (V, N, 2) how corners move on the sheet when it is stretched, mm
    extent: Extent
    smooth: Floats  # (V, N, 10) what is smooth over a view, of `together`

    @property
    def counts(self) -> NDArray[np.int64]:
        """(V,) how many corners each view shows."""
        return np.asarray(np.count_nonzero(self.sure, axis=1))


def side_by_side(views: Sequence[SheetView], along_share: float) -> Seen:
    """Lay views into common arrays; `along_share` is that of the sheet's scale."""
    longest = max(len(view.ids) for view in views)
    sheet_mm, px = np.zeros((2, len(views), longest, 2))
    sure = np.zeros((len(views), longest))
    for i, view in enumerate(views):
        count = len(view.ids)
        sheet_mm[i, :count], px[i, :count] = view.corners_sheet_mm, view.corners_px
        sheet_mm[i, count:] = view.corners_sheet_mm[0]  # some point before the lens
        sure[i, :count] = 1.0 / view.corners_u_px
    within = extent([view.corners_sheet_mm for view in views])
    stretched = sheet_mm * [along_share, along_share - 1.0]
    alike = smooth((sheet_mm - within.middle_mm) / within.half_mm, sure > 0)
    return Seen(sheet_mm, px, sure, shapes(sheet_mm, within), stretched, within, alike)


def poses(bundle: Bundle) -> tuple[Floats, Floats]:
    """Rotations (V, 3, 3) and shifts (V, 3) that take each sheet into the camera's axes."""
    camera, (x, y, angle) = bundle.camera, bundle.flat_places.T
    r1, r2, r3 = camera.rotation.T
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    flat = np.stack([c * r1 + s * r2, c * r2 - s * r1, np.broadcast_to(r3, (len(x), 3))], axis=-1)
    shifts = x[:, None] * r1 + y[:, None] * r2 + bundle.thickness_mm * r3 + camera.translation_mm
    return np.concatenate([flat, bundle.tilted_rotations]), np.concatenate([shifts, bundle.tilted_shifts_mm])


def points_sheet_mm(bundle: Bundle, seen: Seen) -> Floats:
    """(V, N, 3): corners in the sheet's frame, stretched and lifted."""
    height = np.einsum("vnk,vk->vn", seen.shapes, bundle.lifts_mm)
    return np.concatenate([seen.sheet_mm + bundle.stretch * seen.stretched, height[..., None]], axis=-1)


def foretold(bundle: Bundle, seen: Seen) -> tuple[Floats, Floats]:
    """Pixels (V, N, 2) of all corners and their slopes (V, N, 2, 16 + 14): shared unknowns, then the view's own."""
    rotations, shifts = poses(bundle)
    turned = points_sheet_mm(bundle, seen) @ np.swapaxes(rotations, 1, 2)
    device = turned + shifts[:, None]
    there = image(bundle.camera.lens, device.reshape(-1, 3))
    size = seen.px.shape
    by_device = there.by_device.reshape(*size, 3)
    slopes = np.zeros((*size, SHARED + OWN))
    slopes[..., :LENS_PARAMETERS] = there.by_lens.reshape(*size, LENS_PARAMETERS)
    by_sheet = by_device @ rotations[:, None]
    slopes[..., STRETCH] = np.einsum("vnij,vnj->vni", by_sheet[..., :2], seen.stretched)
    slopes[..., LIFTS] = by_sheet[..., 2, None] * seen.shapes[:, :, None]
    flat = len(bundle.flat_places)
    _fill_flat(slopes[:flat], by_device[:flat], device[:flat], turned[:flat], bundle.camera)
    slopes[flat:, ..., TURN] = -by_device[flat:] @ cross_matrices(turned[flat:])
    slopes[flat:, ..., SHIFT] = by_device[flat:]
    return there.px.reshape(size), slopes


def _fill_flat(slopes: Floats, by_device: Floats, device: Floats, turned: Floats, camera: Pinhole) -> None:
    """Slopes by the camera's pose, and by the places of all flat sheets but the first, which is the mat's frame."""
    slopes[..., 9:12] = -by_device @ cross_matrices(device - camera.translation_mm)
    slopes[..., 12:15] = by_device
    by_angle = turned @ cross_matrices(camera.rotation[:, 2]).T
    slopes[1:, ..., PLACE] = (
        by_device[1:]
        @ np.concatenate(
            [np.broadcast_to(camera.rotation[:, :2], (*turned.shape[:2], 3, 2)), by_angle[..., None]], axis=-1
        )[1:]
    )
