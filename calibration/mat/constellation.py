"""Where a known picture of dots has gone as a whole, before each dot is measured."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Floats

Plane = NDArray[np.float32]

MOST_SPOTS = 120
LEAST_SHARE = 0.1  # of the brightest spot
FAR_SIGMAS = 40.0  # how far it may have gone, in dots' standard deviations: some 90 mm
BIN_SIGMAS = 5.0
ROUNDS = 6
FEWEST = 4
CLOSE_SIGMAS = 5.0


def together(light: Plane, expected_px: Floats, sigma_px: float) -> Floats:
    """The expected places (N, 2), NaN for unknown, moved by one affine map onto bright spots of `light` (h, w).

    The displacement most pairs of a spot and a place agree on, then refined by what lies near. As they were
    where no displacement brings FEWEST of them onto spots.
    """
    spots = _spots(light, sigma_px)
    known = np.asarray(np.isfinite(expected_px).all(axis=1))
    if len(spots) < FEWEST or known.sum() < FEWEST:
        return expected_px
    start = _displacement(expected_px[known], spots, sigma_px)
    best, most = expected_px, FEWEST - 1
    for first in (np.zeros(2), start):
        moved, count = _refined(expected_px, known, first, spots, sigma_px)
        if count > most:
            best, most = moved, count
    return best


def _spots(light: Plane, sigma_px: float) -> Floats:
    """(M, 2) the brightest local maxima, smoothed as a dot is."""
    smooth = cv2.GaussianBlur(light, (0, 0), sigma_px)
    side = 2 * int(np.ceil(2.0 * sigma_px)) + 1
    peaks = (smooth >= cv2.dilate(smooth, np.ones((side, side), np.uint8))) & (smooth > LEAST_SHARE * smooth.max())
    y, x = np.nonzero(peaks)
    order = np.argsort(-smooth[y, x])[:MOST_SPOTS]
    return np.column_stack([x[order], y[order]]).astype(float)


def _displacement(expected_px: Floats, spots_px: Floats, sigma_px: float) -> Floats:
    """The displacement with the most pairs about it."""
    apart = (spots_px[None] - expected_px[:, None]).reshape(-1, 2)
    apart = apart[np.hypot(*apart.T) < FAR_SIGMAS * sigma_px]
    if not len(apart):
        return np.zeros(2)
    near = np.hypot(*(apart[:, None] - apart[None]).transpose(2, 0, 1)) < BIN_SIGMAS * sigma_px
    return np.asarray(apart[near[int(near.sum(axis=1).argmax())]].mean(axis=0))


def _refined(
    expected_px: Floats, known: NDArray[np.bool_], first: Floats, spots_px: Floats, sigma_px: float
) -> tuple[Floats, int]:
    """Nearest spots, an affine map onto them, and again; how many lie close at the end."""
    moved = expected_px + first
    reach = 2.0 * BIN_SIGMAS * sigma_px
    count = 0
    for _ in range(ROUNDS):
        away = np.full((len(known), len(spots_px)), np.inf)
        away[known] = np.hypot(*(moved[known, None] - spots_px[None]).transpose(2, 0, 1))
        nearest = away.argmin(axis=1)
        close = away.min(axis=1) < reach
        count = int(close.sum())
        if count < FEWEST:
            return expected_px, 0
        design = np.column_stack([expected_px, np.ones(len(expected_px))])
        fit = np.linalg.lstsq(design[close], spots_px[nearest[close]], rcond=None)[0]
        moved = design @ fit
        reach = max(0.6 * reach, CLOSE_SIGMAS * sigma_px)
    return moved, count
