"""The joint solve of one camera and all views of the sheet.

All flat sheets share one plane, the mat's plus the sheet's thickness; each has a place and an angle in it.
Each tilted sheet has a pose of its own. The first flat sheet is the mat frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.corners import SheetView
from calibration.pinhole import Lens, Pinhole
from calibration.projection import (
    LENS_PARAMETERS,
    PARAMETERS,
    Projected,
    lens_vector,
    mat_by_parameters,
    moved,
    project,
    turn,
    turn_slope,
)
from calibration.robust import Rows, fit_robustly, spread

Floats = NDArray[np.float64]

# Standard deviations of zero-mean priors on k2, p1, p2, k3. A lens between the pinhole (0) and the
# equidistant one (its series in r: k1 -1/3, k2 1/5, k3 -1/7) has terms of this size; decentring is what
# cheap lenses are made to. They matter only where no corner was seen.
PRIOR_INDEX = (5, 6, 7, 8)
PRIOR_SD = (0.4, 0.003, 0.003, 0.15)


@dataclass(frozen=True, eq=False, slots=True)
class Bundle:
    """A camera over the mat and where each sheet lies. Flat places are (x mm, y mm, angle rad) in the mat."""

    camera: Pinhole
    flat_places: Floats  # (F, 3), the first one zero
    tilted_poses: tuple[Pinhole, ...]  # the camera as each tilted sheet's frame sees it
    thickness_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class Solved:
    """The best bundle, its evidence, and the camera's covariance (15, 15) in the mat frame."""

    bundle: Bundle
    covariance: Floats
    residuals_px: tuple[Floats, ...]  # (N, 2) a view, flat ones first; seen minus foretold
    scale: float  # how much larger residuals are than the corners' stated uncertainties
    usual_u_px: float  # median of those


@dataclass(frozen=True, eq=False, slots=True)
class _Job:
    start: Bundle
    flat: Sequence[SheetView]
    tilted: Sequence[SheetView]
    scale: float

    @property
    def views(self) -> list[SheetView]:
        return [*self.flat, *self.tilted]

    @property
    def unknowns(self) -> int:
        return PARAMETERS + 3 * (len(self.flat) - 1) + 6 * len(self.tilted)


def solve_bundle(start: Bundle, flat: Sequence[SheetView], tilted: Sequence[SheetView]) -> Solved:
    """Refine lens, camera pose and sheets together (Huber loss, analytic slopes).

    Solved three times: the first two find how large the corners' errors really are, so that loss and priors
    are weighed rightly in the last.
    """
    job = _Job(start, flat, tilted, scale=10.0)
    for _ in range(3):
        fit = fit_robustly(partial(_rows, job), job.unknowns)
        bundle = _stepped(job.start, fit.x)
        residuals = _residuals_px(bundle, flat, tilted)
        job = replace(job, start=bundle, scale=_scale(residuals, job))
    covariance = _in_frame(bundle, flat, fit.covariance[:PARAMETERS, :PARAMETERS])
    usual_u_px = float(np.median(np.concatenate([view.corners_u_px for view in job.views])))
    return Solved(bundle, covariance, residuals, job.scale, usual_u_px)


def _stepped(start: Bundle, x: Floats) -> Bundle:
    camera = moved(start.camera, x[:PARAMETERS])
    at = PARAMETERS + 3 * (len(start.flat_places) - 1)
    places = start.flat_places.copy()
    places[1:] += x[PARAMETERS:at].reshape(-1, 3)
    poses = tuple(
        Pinhole(camera.lens, turn(step[:3]) @ pose.rotation, pose.translation_mm + step[3:])
        for pose, step in zip(start.tilted_poses, x[at:].reshape(-1, 6), strict=True)
    )
    return Bundle(camera, places, poses, start.thickness_mm)


def _flat_points(place: Floats, sheet_mm: Floats, thickness_mm: float) -> Floats:
    """(N, 3) points of a sheet that lies at a place of the mat."""
    c, s = np.cos(place[2]), np.sin(place[2])
    xy = sheet_mm @ np.array([[c, s], [-s, c]]) + place[:2]
    return np.column_stack([xy, np.full(len(xy), thickness_mm)])


def _sheet_points(sheet_mm: Floats) -> Floats:
    return np.column_stack([sheet_mm, np.zeros(len(sheet_mm))])


def _projected(bundle: Bundle, flat: Sequence[SheetView], tilted: Sequence[SheetView]) -> list[Projected]:
    over_flat = [
        project(bundle.camera, _flat_points(place, view.corners_sheet_mm, bundle.thickness_mm))
        for place, view in zip(bundle.flat_places, flat, strict=True)
    ]
    over_tilted = [
        project(pose, _sheet_points(view.corners_sheet_mm))
        for pose, view in zip(bundle.tilted_poses, tilted, strict=True)
    ]
    return over_flat + over_tilted


def _residuals_px(bundle: Bundle, flat: Sequence[SheetView], tilted: Sequence[SheetView]) -> tuple[Floats, ...]:
    seen = _projected(bundle, flat, tilted)
    return tuple(view.corners_px - p.px for view, p in zip([*flat, *tilted], seen, strict=True))


def _rows(job: _Job, x: Floats) -> Rows:
    """Weighted residuals and their slopes by all unknowns, priors at the end."""
    bundle = _stepped(job.start, x)
    residuals, slopes = [], []
    for i, (view, seen) in enumerate(zip(job.views, _projected(bundle, job.flat, job.tilted), strict=True)):
        by_x = np.zeros((*seen.px.shape, len(x)))
        if i < len(job.flat):
            _fill_flat(by_x, seen, view, x, bundle.flat_places[i], i)
        else:
            _fill_tilted(by_x, seen, x, PARAMETERS + 3 * (len(job.flat) - 1) + 6 * (i - len(job.flat)))
        weight = 1.0 / (job.scale * view.corners_u_px[:, None])
        residuals.append(((seen.px - view.corners_px) * weight).ravel())
        slopes.append((by_x * weight[:, :, None]).reshape(-1, len(x)))
    prior, prior_slope = _prior_rows(bundle.camera.lens, len(x))
    return Rows(np.concatenate([*residuals, prior]), np.concatenate([*slopes, prior_slope]), len(prior))


def _fill_flat(by_x: Floats, seen: Projected, view: SheetView, x: Floats, place: Floats, number: int) -> None:
    by_x[:, :, :PARAMETERS] = seen.by_parameters
    by_x[:, :, 9:12] = seen.by_parameters[:, :, 9:12] @ turn_slope(x[9:12])
    if number == 0:
        return
    at = PARAMETERS + 3 * (number - 1)
    c, s = np.cos(place[2]), np.sin(place[2])
    turned = view.corners_sheet_mm @ np.array([[-s, c], [-c, -s]])
    by_x[:, :, at : at + 2] = seen.by_point[:, :, :2]
    by_x[:, :, at + 2] = np.einsum("nij,nj->ni", seen.by_point[:, :, :2], turned)


def _fill_tilted(by_x: Floats, seen: Projected, x: Floats, at: int) -> None:
    by_x[:, :, :LENS_PARAMETERS] = seen.by_parameters[:, :, :LENS_PARAMETERS]
    by_x[:, :, at : at + 3] = seen.by_parameters[:, :, 9:12] @ turn_slope(x[at : at + 3])
    by_x[:, :, at + 3 : at + 6] = seen.by_parameters[:, :, 12:15]


def _prior_rows(lens: Lens, count: int) -> tuple[Floats, Floats]:
    values = lens_vector(lens)[list(PRIOR_INDEX)] / np.array(PRIOR_SD)
    slopes = np.zeros((len(PRIOR_INDEX), count))
    slopes[range(len(PRIOR_INDEX)), list(PRIOR_INDEX)] = 1.0 / np.array(PRIOR_SD)
    return values, slopes


def _scale(residuals: Sequence[Floats], job: _Job) -> float:
    """How much larger the residuals are than the corners' stated uncertainties."""
    z = [(r / v.corners_u_px[:, None]).ravel() for r, v in zip(residuals, job.views, strict=True)]
    return spread(np.concatenate(z), job.unknowns)


def _in_frame(bundle: Bundle, flat: Sequence[SheetView], covariance: Floats) -> Floats:
    """The camera's (15, 15) covariance, without that of the frame itself.

    The mat frame is that of the first sheet, but a frame is a convention and no error: the rigid motion in
    the mat's plane that the first sheet's corners leave open is taken out (an S-transformation: W. Baarda,
    "S-transformations and criterion matrices", 1973), by the corners of all flat sheets.
    """
    places = zip(bundle.flat_places, flat, strict=True)
    points = [_flat_points(place, view.corners_sheet_mm, 0.0)[:, :2] for place, view in places]
    keep = frame_removed(bundle.camera, np.concatenate(points))
    return np.asarray(keep @ covariance @ keep.T)


def frame_removed(camera: Pinhole, points_mat_mm: Floats) -> Floats:
    """(15, 15) projection that takes out of a parameter error the rigid motion it means for these points."""
    by_parameters = mat_by_parameters(camera, points_mat_mm).reshape(-1, PARAMETERS)
    x, y = points_mat_mm.T
    rigid = np.zeros((len(points_mat_mm), 2, 3))
    rigid[:, 0, 0] = rigid[:, 1, 1] = 1.0
    rigid[:, 0, 2], rigid[:, 1, 2] = -y, x
    motion = np.linalg.lstsq(rigid.reshape(-1, 3), by_parameters, rcond=None)[0]  # (3, 15)
    undo = np.zeros((PARAMETERS, 3))  # parameters that move all mat points by x, by y, by a turn
    undo[12:15, :2] = -camera.rotation[:, :2]
    undo[9:12, 2] = -camera.rotation[:, 2]
    return np.asarray(np.eye(PARAMETERS) - undo @ motion)
