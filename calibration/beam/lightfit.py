"""One projector lens fitted to correspondences: residuals, priors, and an honest covariance.

Where the light lies on the mat is known from the camera, whose errors move all points together. They are unknowns
of the fit, each with its own prior, as in any joint adjustment: light that no lens of a projector can throw speaks
against them, and what they leave open is in the covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, PARAMETERS, lens_vector, moved, project, turn_slope
from calibration.robust import Fit, Rows, fit_robustly, spread, weights_of

Floats = NDArray[np.float64]

THROW = 1.4  # focal length over width, the usual one
THROW_SPREAD = np.log(1.6)  # consumer projectors: throw 0.5 to 2.2 and a bit, common practice
CENTRE_SPREAD = (0.06, 0.6)  # of width and height: many have a vertical offset built in, fewer a sideways one
TAILS = 3.0  # of the priors on throw and centre, as degrees of freedom of Student's t: lens shift goes far at times
ASPECT_SPREAD = 0.002  # pixels are square
DISTORTION_SPREAD = (0.05, 0.05, 0.002, 0.002, 0.02)
FRINGE_PX = 32.0  # projector columns (and rows) whose small faults are one


@dataclass(frozen=True, slots=True)
class TapedHeight:
    """The projector's lens above the mat, by tape measure, and its standard uncertainty."""

    mm: float
    u_mm: float = 10.0


@dataclass(frozen=True, eq=False, slots=True)
class Job:
    """What a projector is fitted to, and where it stands now."""

    start: Pinhole
    points_mat_mm: Floats  # (N, 3) as the camera has them
    points_by: Floats  # (N, 3, Q) by the errors of others, each in its own standard deviations
    projector_px: Floats  # (N, 2)
    u_px: Floats  # (N, 2)
    height: TapedHeight | None
    others: Floats  # (Q,) errors of others, as found so far

    def only(self, some: slice | NDArray[np.bool_]) -> Job:
        """The same with some of its points."""
        return replace(
            self,
            points_mat_mm=self.points_mat_mm[some],
            points_by=self.points_by[some],
            projector_px=self.projector_px[some],
            u_px=self.u_px[some],
        )

    def thinned(self, most: int) -> Job:
        """The same with about `most` of its points."""
        return self.only(slice(None, None, max(1, len(self.points_mat_mm) // most)))

    def misses_px(self) -> Floats:
        """(N, 2) where the lens puts the points, minus where they were read."""
        return foretold(self)[0] - self.projector_px

    def weighed(self) -> Job:
        """The same with uncertainties as large as the misses, by their median."""
        scale = spread(self.misses_px() / self.u_px, PARAMETERS + len(self.others))
        return replace(self, u_px=self.u_px * max(scale, 1e-3))


def foretold(job: Job) -> tuple[Floats, Floats]:
    """Where the lens puts the points, (N, 2), and the slopes (N, 2, 15 + Q) by its parameters and others' errors."""
    at = project(job.start, job.points_mat_mm + job.points_by @ job.others)
    return at.px, np.concatenate([at.by_parameters, at.by_point @ job.points_by], axis=2)


def fit_lens(job: Job) -> tuple[Job, Fit]:
    """The job with its lens, and the errors of others, at their best."""
    fit = fit_robustly(partial(_rows, job), PARAMETERS + len(job.others))
    return replace(job, start=moved(job.start, fit.x[:PARAMETERS]), others=job.others + fit.x[PARAMETERS:]), fit


def _rows(job: Job, x: Floats) -> Rows:
    pinhole, others = moved(job.start, x[:PARAMETERS]), job.others + x[PARAMETERS:]
    px, slopes = foretold(replace(job, start=pinhole, others=others))
    to_turn = turn_slope(x[9:12])
    slopes[:, :, 9:12] = slopes[:, :, 9:12] @ to_turn
    residuals = ((px - job.projector_px) / job.u_px).ravel()
    known, by_lens = prior_rows(pinhole, job.height)
    by_lens[:, 9:12] = by_lens[:, 9:12] @ to_turn
    priors = np.zeros((len(known) + len(others), len(x)))
    priors[: len(known), :PARAMETERS] = by_lens
    priors[len(known) :, PARAMETERS:] = np.eye(len(others))
    rows = (slopes / job.u_px[:, :, None]).reshape(-1, len(x))
    return Rows(np.concatenate([residuals, known, others]), np.concatenate([rows, priors]), len(priors))


def prior_rows(pinhole: Pinhole, height: TapedHeight | None) -> tuple[Floats, Floats]:
    """What is known of projectors before any light is seen, and the tape measure."""
    w, h = pinhole.lens.size_px
    fx, fy, cx, cy, *distortion = lens_vector(pinhole.lens).tolist()
    throw, by_throw = _heavy_tailed(np.log(max(fx, 1e-3) / (THROW * w)) / THROW_SPREAD)
    aside, by_aside = _heavy_tailed((cx - (w - 1) / 2) / (CENTRE_SPREAD[0] * w))
    shift, by_shift = _heavy_tailed((cy - (h - 1) / 2) / (CENTRE_SPREAD[1] * h))
    off = [
        throw,
        np.log(max(fy, 1e-3) / max(fx, 1e-3)) / ASPECT_SPREAD,
        aside,
        shift,
        *(np.array(distortion) / DISTORTION_SPREAD),
    ]
    slopes = np.zeros((len(off) + 1, PARAMETERS))
    slopes[0, 0] = by_throw / (fx * THROW_SPREAD)
    slopes[1, :2] = -1.0 / (fx * ASPECT_SPREAD), 1.0 / (fy * ASPECT_SPREAD)
    slopes[2, 2] = by_aside / (CENTRE_SPREAD[0] * w)
    slopes[3, 3] = by_shift / (CENTRE_SPREAD[1] * h)
    slopes[range(4, 9), range(4, LENS_PARAMETERS)] = 1.0 / np.array(DISTORTION_SPREAD)
    if height is None:
        return np.array([*off, 0.0]), slopes
    slopes[9] = by_height(pinhole) / height.u_mm
    return np.array([*off, (pinhole.lens_mat_mm[2] - height.mm) / height.u_mm]), slopes


def by_height(pinhole: Pinhole) -> Floats:
    """(15,): how the lens' height above the mat follows the parameters.

    z = -r3 . t with r3 the third column of the rotation; a turn w moves it by -(w x r3) . t.
    """
    r3, t = pinhole.rotation[:, 2], pinhole.translation_mm
    return np.concatenate([np.zeros(LENS_PARAMETERS), -np.cross(r3, t), -r3])


def _heavy_tailed(z: float) -> tuple[float, float]:
    """A residual whose half square is the negative log density of Student's t, and its slope."""
    size = np.sqrt((TAILS + 1.0) * np.log1p(z * z / TAILS))
    if abs(z) < 1e-6:
        return z, 1.0
    return float(np.sign(z) * size), float((TAILS + 1.0) * abs(z) / (TAILS + z * z) / size)


def doubt_of(job: Job) -> Floats:
    """(15 + Q, 15 + Q): the covariance of a fitted lens and of the others' errors, one stripe's errors being one.

    The fringes' small faults (rounding to 8 bits, the seventh harmonic) belong to a projector column and repeat
    all along it, so that points do not err independently. The cluster-robust form: K.-Y. Liang, S. Zeger,
    Biometrika 73, 1986; here with the priors' information as it is.
    """
    rows = _rows(job, np.zeros(PARAMETERS + len(job.others)))
    ends = len(rows.residuals) - rows.priors
    weights = weights_of(rows)
    size = np.linalg.norm(rows.slopes, axis=0)
    triangle = np.linalg.qr(rows.slopes / size * np.sqrt(weights)[:, None], mode="r")
    root = np.linalg.inv(triangle) / size[:, None]  # its widest direction is a million times its narrowest
    pulls = (rows.slopes * (weights * rows.residuals)[:, None])[:ends] @ root
    stripes = np.floor(job.projector_px / FRINGE_PX).astype(np.int64)
    of = np.unique(np.stack([2 * stripes[:, 0], 2 * stripes[:, 1] + 1], axis=1).ravel(), return_inverse=True)[1]
    sums = np.zeros((int(of.max()) + 1, pulls.shape[1]))
    np.add.at(sums, of, pulls)
    correction = len(sums) / max(len(sums) - PARAMETERS, 1)
    priors = rows.slopes[ends:] @ root
    inner = correction * sums.T @ sums + priors.T @ priors
    return np.asarray(root @ inner @ root.T)
