"""Solve the projector as a camera that runs backwards, from what a solved camera sees of its light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import CalibrationError
from calibration.mesh import Mesh
from calibration.pinhole import Lens, Pinhole
from calibration.projection import (
    LENS_PARAMETERS,
    PARAMETERS,
    lens_vector,
    mat_by_parameters,
    moved,
    project,
    turn_slope,
)
from calibration.rig import Device
from calibration.robust import Fit, Rows, fit_robustly, spread

Floats = NDArray[np.float64]

FEWEST_POINTS = 60
START_POINTS = 120  # enough to choose among starts
THROWS = (1.4, 0.8, 2.2)  # focal length over width, to start from
THROW_SPREAD = np.log(1.6)  # consumer projectors: throw 0.5 to 2.2 and a bit, common practice
SHIFTS = (0.0, 0.55, -0.55)  # of the height: axis through the middle, or past the lower or upper rim
CENTRE_SPREAD = (
    0.05,
    0.6,
)  # of width and height: most have a vertical offset built in, hardly a sideways one
ASPECT_SPREAD = 0.002  # pixels are square
DISTORTION_SPREAD = (0.05, 0.05, 0.002, 0.002, 0.02)
LEAST_U_PX = 0.01  # what smooth faults of the fringes leave, however many pixels are averaged


@dataclass(frozen=True, slots=True)
class TapedHeight:
    """The projector's lens above the mat, by tape measure, and its standard uncertainty."""

    mm: float
    u_mm: float = 10.0


@dataclass(frozen=True, eq=False, slots=True)
class ProjectorSolution:
    """The projector in the camera's mat frame, and what was assumed."""

    device: Device
    notes: tuple[str, ...]
    covered_mat_mm: Floats  # (N, 2) where its light was seen


@dataclass(frozen=True, eq=False, slots=True)
class _Job:
    start: Pinhole
    points_mat_mm: Floats  # (N, 3)
    seen: Mesh
    u_px: Floats  # (N, 2)
    height: TapedHeight | None


def solve_projector(
    seen: Mesh, size_px: tuple[int, int], camera: Device, height: TapedHeight | None = None
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
        a usual throw is assumed, which matters for thick cloth only.

    Raises
    ------
    CalibrationError
        Too little light was seen, or the picture is mirrored.

    Notes
    -----
    The covariance is the fit's own plus the camera's, carried through the fit (errors of the camera are common
    to all points and do not average out).
    """
    points = camera.pinhole.mat_from_px(seen.camera_px)
    known = np.isfinite(points).all(axis=1)
    if known.sum() < FEWEST_POINTS:
        raise CalibrationError(
            f"the projector's patterns are read in {known.sum()} places, {FEWEST_POINTS} are needed; "
            "darken the room and let the light fall where the camera looks"
        )
    seen = Mesh(seen.camera_px[known], seen.projector_px[known], seen.u_px[known])
    points = np.column_stack([points[known], np.zeros(known.sum())])
    _check_handed(points, seen.projector_px)
    u_px = np.maximum(seen.u_px, LEAST_U_PX)
    starts = _starts(points, seen.projector_px, size_px)
    start = _best_start(starts, _Job(starts[0], points, seen, u_px, height))
    job = _refined(_Job(start, points, seen, u_px, height))
    scale = spread(_misses(job) / u_px, PARAMETERS)
    job = replace(job, u_px=u_px * max(scale, 1e-3))
    fit = fit_robustly(partial(_rows, job), PARAMETERS)
    job = _stepped(job, fit)
    residual = float(np.sqrt(np.mean(_misses(job) ** 2)))
    covariance = fit.covariance + _from_camera(job, camera, fit.covariance)
    return ProjectorSolution(Device(job.start, covariance, residual), _notes(job, fit.covariance), points[:, :2])


def _check_handed(points: Floats, projector_px: Floats) -> None:
    found, _ = cv2.findHomography(points[:, :2], projector_px, cv2.RANSAC, 3.0)
    if found is None:
        raise CalibrationError("the patterns make no picture of a plane; keep the mat bare and flat, then try again")
    if np.linalg.det(found[:2, :2] - np.outer(found[:2, 2], found[2, :2]) / found[2, 2]) > 0:
        raise CalibrationError("the projector's picture is mirrored; switch its rear projection off")


def _starts(points: Floats, projector_px: Floats, size_px: tuple[int, int]) -> list[Pinhole]:
    """Poses for a few usual lenses; which of them is best is left to the fit."""
    w, h = size_px
    found = []
    for throw in THROWS:
        for shift in SHIFTS:
            lens = Lens(size_px, (throw * w, throw * w), ((w - 1) / 2, (h - 1) / 2 + shift * h))
            ok, turns, move = cv2.solvePnP(points, projector_px, lens.matrix, None, flags=cv2.SOLVEPNP_IPPE)
            if ok:
                rotation = np.asarray(cv2.Rodrigues(turns)[0], float)
                found.append(Pinhole(lens, rotation, np.ravel(move).astype(float)))
    above = [pinhole for pinhole in found if pinhole.lens_mat_mm[2] > 0]
    if not above:
        raise CalibrationError("the projector's light does not seem to come from above; calibrate the camera again")
    return above


def _best_start(starts: Sequence[Pinhole], job: _Job) -> Pinhole:
    """The lens that explains the light best, by a thinned set of points."""
    some = slice(None, None, max(1, len(job.points_mat_mm) // START_POINTS))
    seen = Mesh(job.seen.camera_px[some], job.seen.projector_px[some], job.seen.u_px[some])
    jobs = [_Job(start, job.points_mat_mm[some], seen, job.u_px[some], job.height) for start in starts]
    fits = [fit_robustly(partial(_rows, one), PARAMETERS) for one in jobs]
    ends = [(fit.cost, _stepped(one, fit).start) for one, fit in zip(jobs, fits, strict=True)]
    sound = [end for end in ends if np.isfinite(end[0]) and end[1].lens_mat_mm[2] > 0]
    if not sound:
        raise CalibrationError("no lens explains the projector's light; calibrate the camera again")
    return min(sound, key=lambda end: end[0])[1]


def _refined(job: _Job) -> _Job:
    return _stepped(job, fit_robustly(partial(_rows, job), PARAMETERS))


def _stepped(job: _Job, fit: Fit) -> _Job:
    return replace(job, start=moved(job.start, fit.x))


def _misses(job: _Job) -> Floats:
    return project(job.start, job.points_mat_mm).px - job.seen.projector_px


def _rows(job: _Job, x: Floats) -> Rows:
    pinhole = moved(job.start, x)
    at = project(pinhole, job.points_mat_mm)
    slopes = at.by_parameters.copy()
    to_turn = turn_slope(x[9:12])
    slopes[:, :, 9:12] = slopes[:, :, 9:12] @ to_turn
    residuals = ((at.px - job.seen.projector_px) / job.u_px).ravel()
    prior, prior_slopes = _prior_rows(pinhole, job.height)
    prior_slopes[:, 9:12] = prior_slopes[:, 9:12] @ to_turn
    rows = (slopes / job.u_px[:, :, None]).reshape(-1, PARAMETERS)
    return Rows(np.concatenate([residuals, prior]), np.concatenate([rows, prior_slopes]), len(prior))


def _prior_rows(pinhole: Pinhole, height: TapedHeight | None) -> tuple[Floats, Floats]:
    """What is known of projectors before any light is seen, and the tape measure."""
    w, h = pinhole.lens.size_px
    fx, fy, cx, cy, *distortion = lens_vector(pinhole.lens).tolist()
    off = [
        np.log(fx / (THROWS[0] * w)) / THROW_SPREAD,
        np.log(fy / fx) / ASPECT_SPREAD,
        (cx - (w - 1) / 2) / (CENTRE_SPREAD[0] * w),
        (cy - (h - 1) / 2) / (CENTRE_SPREAD[1] * h),
        *(np.array(distortion) / DISTORTION_SPREAD),
    ]
    slopes = np.zeros((len(off) + 1, PARAMETERS))
    slopes[0, 0] = 1.0 / (fx * THROW_SPREAD)
    slopes[1, :2] = -1.0 / (fx * ASPECT_SPREAD), 1.0 / (fy * ASPECT_SPREAD)
    slopes[2, 2] = 1.0 / (CENTRE_SPREAD[0] * w)
    slopes[3, 3] = 1.0 / (CENTRE_SPREAD[1] * h)
    slopes[range(4, 9), range(4, LENS_PARAMETERS)] = 1.0 / np.array(DISTORTION_SPREAD)
    if height is None:
        return np.array([*off, 0.0]), slopes
    # z = -r3 . t with r3 the third column of the rotation; a turn w moves it by -(w x r3) . t
    r3, t = pinhole.rotation[:, 2], pinhole.translation_mm
    slopes[9, 9:12] = -np.cross(r3, t) / height.u_mm
    slopes[9, 12:15] = -r3 / height.u_mm
    return np.array([*off, (pinhole.lens_mat_mm[2] - height.mm) / height.u_mm]), slopes


def _from_camera(job: _Job, camera: Device, covariance: Floats) -> Floats:
    """(15, 15): the camera's covariance, carried through the fit to the projector's parameters."""
    at = project(job.start, job.points_mat_mm)
    points_by_camera = mat_by_parameters(camera.pinhole, job.points_mat_mm[:, :2])
    weights = 1.0 / job.u_px**2
    carried = -np.einsum(
        "nip,ni,nij,njq->pq",
        at.by_parameters,
        weights,
        at.by_point[:, :, :2],
        points_by_camera,
        optimize=True,
    )
    gain = covariance @ carried
    return np.asarray(gain @ camera.covariance @ gain.T)


def _notes(job: _Job, covariance: Floats) -> tuple[str, ...]:
    pinhole = job.start
    # height by the fit's covariance, the turn taken with it
    slope = _prior_rows(pinhole, TapedHeight(0.0, 1.0))[1][9]
    u_mm = float(np.sqrt(slope @ covariance @ slope))
    how = (
        f"its height was taped as {job.height.mm:.0f} mm, u {job.height.u_mm:.0f} mm"
        if job.height
        else f"no height was taped: a throw of {THROWS[0]} was assumed, give or take a factor 1.6"
    )
    return (
        f"projector: lens {pinhole.lens_mat_mm[2]:.0f} mm above the mat, u {u_mm:.0f} mm; {how}",
        f"projector: {len(job.points_mat_mm)} places of the mat, priors on square pixels, centre, distortion",
    )
