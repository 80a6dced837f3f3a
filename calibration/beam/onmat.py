"""Which of the projector's light falls on the mat itself: a table around it lies lower, a ruler on it higher.

Where sheets lay, there is mat. A lens fitted there foretells where the light of its surroundings should be read; what
is read there joins the fit, so that the lens foretells more, until nothing more joins. Light on a table two
millimetres below the mat would else pull the lens by a tenth of a millimetre.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.lightfit import Job, doubt_of, fit_lens, foretold
from calibration.projection import PARAMETERS

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROUNDS = 10
FITS = 3.5  # standard deviations, of reading and foretelling, within which light lies in the plane
SURE_PX = 0.05  # what is foretold worse than this cannot be told from light on a table below, half a pixel aside


def within(points_mat_mm: Floats, around_mat_mm: Floats) -> Mask:
    """(N,): which points lie in the convex hull of others (M, 2)."""
    hull = cv2.convexHull(around_mat_mm.astype(np.float32))
    return np.array([cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0 for x, y in points_mat_mm[:, :2]])


def fit_in_plane(whole: Job, begun: Job, sure: Mask) -> tuple[Job, Mask]:
    """The fitted job of the points in the mat's plane, and which of `whole` they are.

    `begun` is a fit to the `sure` ones, of which those stay that fit.
    """
    fitted, used = _fitted(begun), sure
    for _ in range(ROUNDS):
        scale = float(np.median(fitted.u_px / whole.u_px[used]))
        stands = replace(whole, start=fitted.start, others=fitted.others, u_px=whole.u_px * scale)
        fits = _fits(stands, doubt_of(fitted))
        if fits.sum() < PARAMETERS or np.array_equal(fits, used):
            break
        used = fits
        fitted = _fitted(replace(whole.only(used), start=fitted.start, others=fitted.others))
    return fitted, used


def _fitted(job: Job) -> Job:
    job, _ = fit_lens(job)
    return fit_lens(job.weighed())[0]


def _fits(job: Job, doubt: Floats) -> Mask:
    """(N,): whose light is read where it is foretold, and is foretold well enough to tell."""
    px, slopes = foretold(job)
    misses, variances = px - job.projector_px, slopes @ doubt @ np.swapaxes(slopes, 1, 2)
    known = np.sqrt(np.trace(variances, axis1=1, axis2=2)) < SURE_PX
    variances += np.eye(2) * (job.u_px**2)[:, :, None]
    chi2 = np.einsum("ni,ni->n", misses, np.linalg.solve(variances, misses[:, :, None])[:, :, 0])
    return np.asarray(known & (chi2 < FITS**2))
