"""Solve the projector as a camera that runs backwards, from what a solved camera sees of its light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.lightfit import THROW, Doubt, Job, TapedHeight, by_height, carried, doubt_of, fit_lens
from calibration.beam.mesh import Mesh
from calibration.lens.camera import CalibrationError
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS, mat_by_parameters, project
from calibration.rig import Device
from calibration.robust import spread

__all__ = ["ProjectorSolution", "Raised", "TapedHeight", "solve_projector"]

Floats = NDArray[np.float64]

FEWEST_POINTS = 60
START_POINTS = 90  # enough to choose among starts
BEST_STARTS = 5  # of all, are worth a fit
THROWS = (1.4, 0.8, 2.2)  # focal length over width, to start from
# of width and height: the axis through the middle, past the lower or upper rim, to a side
SHIFTS = ((0.0, 0.0), (0.0, 0.55), (0.0, -0.55), (0.0, 1.1), (0.0, -1.1), (0.25, 0.0), (-0.25, 0.0))
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
    notes: tuple[str, ...]
    covered_mat_mm: Floats  # (N, 2) where its light was seen on the mat


@dataclass(frozen=True, eq=False, slots=True)
class _Plane:
    """What was read on one plane, where the camera knows it."""

    points_mat_mm: Floats  # (N, 3)
    projector_px: Floats  # (N, 2)
    u_px: Floats  # (N, 2)


def solve_projector(
    seen: Mesh,
    size_px: tuple[int, int],
    camera: Device,
    height: TapedHeight | None = None,
    raised: Raised | None = None,
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

    Raises
    ------
    CalibrationError
        Too little light was seen, or the picture is mirrored.

    Notes
    -----
    The covariance is the fit's own plus the camera's and the raised plane's, carried through the fit (their
    errors are common to all points and do not average out).
    """
    mat = _known(seen, camera, 0.0)
    _check_handed(mat.points_mat_mm, mat.projector_px)
    planes = [mat] if raised is None else [mat, _known(raised.seen, camera, raised.height_mm)]
    starts = _starts(mat, size_px)
    job = Job(
        starts[0],
        np.concatenate([plane.points_mat_mm for plane in planes]),
        np.concatenate([plane.projector_px for plane in planes]),
        np.concatenate([plane.u_px for plane in planes]),
        height,
    )
    job, _ = fit_lens(replace(job, start=_best_start(starts, job)))
    scale = spread(job.misses_px() / job.u_px, PARAMETERS)
    job, _ = fit_lens(replace(job, u_px=job.u_px * max(scale, 1e-3)))
    residual = float(np.sqrt(np.mean(job.misses_px() ** 2)))
    doubt = doubt_of(job)
    device = Device(job.start, doubt.own + _from_others(job, doubt, camera, raised), residual)
    return ProjectorSolution(device, _notes(job, device, len(mat.u_px), raised), mat.points_mat_mm[:, :2])


def _known(seen: Mesh, camera: Device, height_mm: float) -> _Plane:
    points = camera.pinhole.mat_from_px(seen.camera_px, height_mm)
    known = np.isfinite(points).all(axis=1)
    if known.sum() < FEWEST_POINTS:
        raise CalibrationError(
            f"the projector's patterns are read in {known.sum()} places, {FEWEST_POINTS} are needed; "
            "darken the room and let the light fall where the camera looks"
        )
    points = np.column_stack([points[known], np.full(known.sum(), height_mm)])
    return _Plane(points, seen.projector_px[known], np.maximum(seen.u_px[known], LEAST_U_PX))


def _check_handed(points: Floats, projector_px: Floats) -> None:
    found, _ = cv2.findHomography(points[:, :2], projector_px, cv2.RANSAC, 3.0)
    if found is None:
        raise CalibrationError("the patterns make no picture of a plane; keep the mat bare and flat, then try again")
    if np.linalg.det(found[:2, :2] - np.outer(found[:2, 2], found[2, :2]) / found[2, 2]) > 0:
        raise CalibrationError("the projector's picture is mirrored; switch its rear projection off")


def _starts(mat: _Plane, size_px: tuple[int, int]) -> list[Pinhole]:
    """Poses for a few usual lenses; which of them is best is left to the fit."""
    w, h = size_px
    found = []
    for throw in THROWS:
        for aside, shift in SHIFTS:
            centre = ((w - 1) / 2 + aside * w, (h - 1) / 2 + shift * h)
            lens = Lens(size_px, (throw * w, throw * w), centre)
            ok, turns, move = cv2.solvePnP(
                mat.points_mat_mm, mat.projector_px, lens.matrix, None, flags=cv2.SOLVEPNP_IPPE
            )
            if ok:
                rotation = np.asarray(cv2.Rodrigues(turns)[0], float)
                found.append(Pinhole(lens, rotation, np.ravel(move).astype(float)))
    above = [pinhole for pinhole in found if pinhole.lens_mat_mm[2] > 0]
    if not above:
        raise CalibrationError("the projector's light does not seem to come from above; calibrate the camera again")
    return above


def _best_start(starts: Sequence[Pinhole], job: Job) -> Pinhole:
    """The lens that explains the light best, by a thinned set of points."""
    some = job.thinned(START_POINTS)
    by_miss = sorted(starts, key=lambda start: float(np.median(np.abs(replace(some, start=start).misses_px()))))
    ends = [fit_lens(replace(some, start=start)) for start in by_miss[:BEST_STARTS]]
    sound = [(fit.cost, end.start) for end, fit in ends if np.isfinite(fit.cost) and end.start.lens_mat_mm[2] > 0]
    if not sound:
        raise CalibrationError("no lens explains the projector's light; calibrate the camera again")
    return min(sound, key=lambda end: end[0])[1]


def _from_others(job: Job, doubt: Doubt, camera: Device, raised: Raised | None) -> Floats:
    """(15, 15): what the camera's and the raised plane's uncertainty do to the lens."""
    points = job.points_mat_mm
    by_camera = np.zeros((len(points), 3, PARAMETERS))
    for height_mm in np.unique(points[:, 2]):
        on = points[:, 2] == height_mm
        by_camera[on, :2] = mat_by_parameters(camera.pinhole, points[on, :2], float(height_mm))
    gain = carried(job, doubt, by_camera)
    covariance = gain @ camera.covariance @ gain.T
    if raised is None:
        return np.asarray(covariance)
    gain = raised.u_mm * carried(job, doubt, _by_plane(points, camera))
    return np.asarray(covariance + gain @ gain.T)


def _by_plane(points: Floats, camera: Device) -> Floats:
    """(N, 3, 1): how what the camera sees on the raised plane moves as that plane rises; the mat's points stay."""
    at = project(camera.pinhole, points)
    aside = -np.linalg.solve(at.by_point[:, :, :2], at.by_point[:, :, 2:])
    rise = np.concatenate([aside, np.ones((len(points), 1, 1))], axis=1)
    return np.asarray(np.where(points[:, 2, None, None] > 0, rise, 0.0))


def _notes(job: Job, device: Device, places: int, raised: Raised | None) -> tuple[str, ...]:
    slope = by_height(job.start)
    u_mm = float(np.sqrt(slope @ device.covariance @ slope))
    how = []
    if job.height:
        how.append(f"its height was taped as {job.height.mm:.0f} mm, u {job.height.u_mm:.0f} mm")
    if raised:
        how.append(f"its light was read on a plane {raised.height_mm:g} mm above the mat, u {raised.u_mm:g} mm")
    if not how:
        how.append(f"no height was taped: a throw of {THROW} was assumed, give or take a factor 1.6")
    return (
        f"projector: lens {job.start.lens_mat_mm[2]:.0f} mm above the mat, u {u_mm:.0f} mm; {', '.join(how)}",
        f"projector: {places} places of the mat, priors on square pixels, centre, distortion",
    )
