"""What a pose that was solved again inherits: the doubts of the lens, and of the places it was solved from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.mat.posefit import BUMP, POSE, Pose
from calibration.pinhole import Pinhole
from calibration.projection import LENS_PARAMETERS, PARAMETERS, project

Floats = NDArray[np.float64]

LENS = slice(0, LENS_PARAMETERS)


def carried(pose: Pose, places_mat_mm: Floats, information_px2: Floats, lens: Floats, places: Floats) -> Floats:
    """(15, 15) covariance of a device whose pose was fitted to places (N, 2) while its lens was held.

    Parameters
    ----------
    lens : (9, Q)
        How the lens goes with Q sources of error that have unit covariance.
    places : (N, 2, Q)
        How the places go with the same sources, mm.

    The pose follows both through the fit (the implicit function theorem on its normal equations); its own
    covariance, from the pixels' noise, is added.
    """
    at = project(pose.pinhole, np.column_stack([places_mat_mm, np.zeros(len(places_mat_mm))]))
    slopes = at.by_parameters[:, :, POSE]
    normal = np.einsum("nia,nij,njb->ab", slopes, information_px2, slopes, optimize=True) + np.diag(1.0 / BUMP**2)
    sources = at.by_parameters[:, :, LENS] @ lens + at.by_point[:, :, :2] @ places  # (N, 2, Q) px
    pull = np.einsum("nia,nij,njq->aq", slopes, information_px2, sources, optimize=True)
    rows = np.zeros((PARAMETERS, lens.shape[1]))
    rows[LENS], rows[POSE] = lens, -np.linalg.solve(normal, pull)
    covariance = rows @ rows.T
    covariance[POSE, POSE] += pose.covariance
    return np.asarray(covariance)


def from_places(
    pinhole: Pinhole, own: Floats, places_mat_mm: Floats, information_px2: Floats, places: Floats
) -> Floats:
    """(15, 15): what errors of the places (N, 2, Q), common to many of them, add to a fit of lens and pose.

    `own` is the fit's covariance, `information_px2` what it used.
    """
    at = project(pinhole, np.column_stack([places_mat_mm, np.zeros(len(places_mat_mm))]))
    sources = at.by_point[:, :, :2] @ places
    pull = np.einsum("nia,nij,njq->aq", at.by_parameters, information_px2, sources, optimize=True)
    rows = own @ pull
    return np.asarray(rows @ rows.T)


def residual_px(pinhole: Pinhole, places_mat_mm: Floats, seen_px: Floats, information_px2: Floats) -> float:
    """RMS of the misses per axis, each direction counting by what it tells."""
    off = pinhole.px_from_mat(places_mat_mm) - seen_px
    told = np.einsum("ni,nij,nj->", off, information_px2, off)
    return float(np.sqrt(told / np.trace(information_px2, axis1=1, axis2=2).sum()))
