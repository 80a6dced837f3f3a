"""Solve the projector as a camera that runs backwards, from what a solved camera sees of its light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.lightfit import THROW, Job, TapedHeight, by_height, doubt_of, fit_lens
from calibration.beam.mesh import Mesh
from calibration.beam.onmat import fit_in_plane, within
from calibration.lens.camera import CalibrationError
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, mat_by_parameters, moved
from calibration.rig import Device
from calibration.robust import root

__all__ = ["ProjectorSolution", "Raised", "TapedHeight", "solve_projector"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST_POINTS = 60
START_POINTS = 90  # enough to choose among starts
BEST_STARTS = 5  # of all, are worth a fit
THROWS = (1.4, 0.8, 2.2)  # focal length over width, to start from
# of width and height: the axis through the middle, past the lower or upper rim, to a side
SHIFTS = ((0.0, 0.0), (0.0, 0.55), (0.0, -0.55), (0.0, 1.1), (0.0, -1.1), (0.25, 0.0), (-0.25, 0.0))
WORTH_SAYING = 0.1  # of the places: left out, is told
NO_DOUBT = 1e-12  # of the largest variance, in units of each parameter's own: a frame's motion is no error
LEAST_U_PX = 0.01  # what smooth faults of the fringes leave, however many pixels are averaged


@dataclass(frozen=True, eq=False, slots=True)
class Raised:
    """Light read on a second plane, parallel to the mat: a board on boxes of known height."""

    seen: Mesh
    height_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class ProjectorSolution:
    """The projector in the camera's mat frame, and what was assumed."""

    device: Device
    camera: Device  # as it is once the light has been heard, too: the same or a little surer
    notes: tuple[str, ...]
    covered_mat_mm: Floats  # (N, 2) where its light was seen on the mat


@dataclass(frozen=True, eq=False, slots=True)
class _Plane:
    """What was read on one plane, where the camera knows it."""

    points_mat_mm: Floats  # (N, 3)
    points_by: Floats  # (N, 3, Q) by the camera's errors and the plane's own, in standard deviations
    projector_px: Floats  # (N, 2)
    u_px: Floats  # (N, 2)


def solve_projector(
    seen: Mesh,
    size_px: tuple[int, int],
    camera: Device,
    height: TapedHeight | None = None,
    raised: Raised | None = None,
    sheets_mat_mm: Floats | None = None,
) -> ProjectorSolution:
    """Lens and pose of the projector from correspondences on the bare mat.

    Parameters
    ----------
    seen : Mesh
        Camera pixels and the projector pixels that light them.
    size_px : (int, int)
        The projector's own width and height.
    camera : Device
        The solved camera; the mat frame is its frame.
    height : TapedHeight, optional
        Of the projector's lens above the mat. One plane hardly tells focal length from height; without this
        and without `raised` a usual throw is assumed, which matters for thick cloth only.
    raised : Raised, optional
        The same patterns read on a second plane, which does tell.
    sheets_mat_mm : (N, 2) float64, optional
        Points of the flat sheets: between them there is mat for sure. Light on a table around the mat, which lies
        lower, is told from it and left out. Without these all light is taken to lie in one plane.

    Raises
    ------
    CalibrationError
        Too little light was seen, or the picture is mirrored.

    Notes
    -----
    The camera's errors, within its covariance, and the raised plane's are unknowns of the same fit: they are
    common to all points, do not average out, and are largest where no sheet lay. Camera and projector as solved
    here belong together.
    """
    by_camera = root(camera.covariance, NO_DOUBT)
    mat = _known(seen, camera, by_camera, 0.0, 0.0)
    sure = _sure(mat, sheets_mat_mm)
    _check_handed(mat.points_mat_mm[sure], mat.projector_px[sure])
    planes = [mat] if raised is None else [mat, _known(raised.seen, camera, by_camera, raised.height_mm, raised.u_mm)]
    starts = _starts(mat.points_mat_mm[sure], mat.projector_px[sure], size_px)
    whole = _job(starts[0], planes, height)
    job, used = _solved(whole, starts, np.append(sure, np.ones(len(whole.u_px) - len(sure), bool)), sheets_mat_mm)
    doubt = doubt_of(job)
    residual = float(np.sqrt(np.mean(job.misses_px() ** 2)))
    device = Device(job.start, doubt[:PARAMETERS, :PARAMETERS], residual)
    used = used[: len(sure)]
    return ProjectorSolution(
        device, _heard(camera, by_camera, job, doubt), _notes(job, device, used, raised), mat.points_mat_mm[used, :2]
    )


def _job(start: Pinhole, planes: Sequence[_Plane], height: TapedHeight | None) -> Job:
    return Job(
        start,
        np.concatenate([plane.points_mat_mm for plane in planes]),
        np.concatenate([plane.points_by for plane in planes]),
        np.concatenate([plane.projector_px for plane in planes]),
        np.concatenate([plane.u_px for plane in planes]),
        height,
        np.zeros(planes[0].points_by.shape[2]),
    )


def _sure(mat: _Plane, sheets_mat_mm: Floats | None) -> Mask:
    """(N,): light that is on the mat for sure; all of it where nobody says, or where the sheets lay elsewhere."""
    sure = np.ones(len(mat.u_px), bool) if sheets_mat_mm is None else within(mat.points_mat_mm, sheets_mat_mm)
    return sure if sure.sum() >= FEWEST_POINTS else np.ones(len(mat.u_px), bool)


def _solved(whole: Job, starts: Sequence[Pinhole], sure: Mask, sheets_mat_mm: Floats | None) -> tuple[Job, Mask]:
    begun = _best_start(starts, whole.only(sure))
    if sheets_mat_mm is not None:
        return fit_in_plane(whole, begun, sure)
    job, _ = fit_lens(begun)
    return fit_lens(job.weighed())[0], sure


def _heard(camera: Device, by_camera: Floats, job: Job, doubt: Floats) -> Device:
    """The camera with the errors that the light spoke of taken away."""
    own = slice(PARAMETERS, PARAMETERS + by_camera.shape[1])
    step = by_camera @ job.others[: by_camera.shape[1]]
    return replace(camera, pinhole=moved(camera.pinhole, step), covariance=by_camera @ doubt[own, own] @ by_camera.T)


def _known(seen: Mesh, camera: Device, by_camera: Floats, height_mm: float, height_u_mm: float) -> _Plane:
    points = camera.pinhole.mat_from_px(seen.camera_px, height_mm)
    known = np.isfinite(points).all(axis=1)
    if known.sum() < FEWEST_POINTS:
        raise CalibrationError(
            f"the projector's patterns are read in {known.sum()} places, {FEWEST_POINTS} are needed; "
            "darken the room and let the light fall where the camera looks"
        )
    points = np.column_stack([points[known], np.full(known.sum(), height_mm)])
    by = np.zeros((len(points), 3, by_camera.shape[1] + 1))
    by[:, :2, :-1] = mat_by_parameters(camera.pinhole, points[:, :2], height_mm) @ by_camera
    by[:, :2, -1] = height_u_mm * camera.pinhole.mat_by_height(points[:, :2], height_mm)
    by[:, 2, -1] = height_u_mm
    return _Plane(points, by, seen.projector_px[known], np.maximum(seen.u_px[known], LEAST_U_PX))


def _check_handed(points: Floats, projector_px: Floats) -> None:
    found, _ = cv2.findHomography(points[:, :2], projector_px, cv2.RANSAC, 3.0)
    if found is None:
        raise CalibrationError("the patterns make no picture of a plane; keep the mat bare and flat, then try again")
    if np.linalg.det(found[:2, :2] - np.outer(found[:2, 2], found[2, :2]) / found[2, 2]) > 0:
        raise CalibrationError("the projector's picture is mirrored; switch its rear projection off")


def _starts(points_mat_mm: Floats, projector_px: Floats, size_px: tuple[int, int]) -> list[Pinhole]:
    """Poses for a few usual lenses; which of them is best is left to the fit."""
    w, h = size_px
    found = []
    for throw in THROWS:
        for aside, shift in SHIFTS:
            centre = ((w - 1) / 2 + aside * w, (h - 1) / 2 + shift * h)
            lens = Lens(size_px, (throw * w, throw * w), centre)
            ok, turns, move = cv2.solvePnP(points_mat_mm, projector_px, lens.matrix, None, flags=cv2.SOLVEPNP_IPPE)
            if ok:
                rotation = np.asarray(cv2.Rodrigues(turns)[0], float)
                found.append(Pinhole(lens, rotation, np.ravel(move).astype(float)))
    above = [pinhole for pinhole in found if pinhole.lens_mat_mm[2] > 0]
    if not above:
        raise CalibrationError("the projector's light does not seem to come from above; calibrate the camera again")
    return above


def _best_start(starts: Sequence[Pinhole], job: Job) -> Job:
    """The job with the lens, and the errors of others, that explain the light best, by a thinned set of points."""
    some = job.thinned(START_POINTS)
    by_miss = sorted(starts, key=lambda start: float(np.median(np.abs(replace(some, start=start).misses_px()))))
    ends = [fit_lens(replace(some, start=start)) for start in by_miss[:BEST_STARTS]]
    sound = [(fit.cost, end) for end, fit in ends if np.isfinite(fit.cost) and end.start.lens_mat_mm[2] > 0]
    if not sound:
        raise CalibrationError("no lens explains the projector's light; calibrate the camera again")
    best = min(sound, key=lambda end: end[0])[1]
    return replace(job, start=best.start, others=best.others)


def _notes(job: Job, device: Device, used: Mask, raised: Raised | None) -> tuple[str, ...]:
    slope = by_height(job.start)
    u_mm = float(np.sqrt(slope @ device.covariance @ slope))
    how = []
    if job.height:
        how.append(f"its height was taped as {job.height.mm:.0f} mm, u {job.height.u_mm:.0f} mm")
    if raised:
        how.append(f"its light was read on a plane {raised.height_mm:g} mm above the mat, u {raised.u_mm:g} mm")
    if not how:
        how.append(f"no height was taped: a throw of {THROW} was assumed, give or take a factor 1.6")
    left = int(np.sum(~used))
    left_out = f" ({left} more lie higher or lower than it or fit badly)" if left > WORTH_SAYING * len(used) else ""
    return (
        f"projector: lens {job.start.lens_mat_mm[2]:.0f} mm above the mat, u {u_mm:.0f} mm; {', '.join(how)}",
        f"projector: {used.sum()} places of the mat{left_out}, priors on square pixels, centre, distortion",
    )
