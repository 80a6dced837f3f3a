"""How the points of a flat board lie to one another in a picture: what a millimetre is there, and what does not fit."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FLAT_ENOUGH = 0.1  # neighbours this much off one line (ratio of their spreads) hold a slope both ways
OFF_BY = 0.3  # of a step: a point so far from where its neighbours want it belongs to another board
MOST_OFF = 0.2  # share of such points


def local_slopes(sheet_mm: Floats, px: Floats, reach_mm: float) -> Floats:
    """(N, 2, 2): pixels per millimetre at each point, columns by x and by y of the sheet.

    From the neighbours within `reach_mm` (a straight map through them), so that a wide lens is followed where one
    homography of the whole view is not; where the neighbours lie in a line, from that homography all the same.
    """
    slopes = _homography_slopes(sheet_mm, px)
    weight, held = _neighbours(sheet_mm, reach_mm)
    local, _ = _straight_maps(sheet_mm, px, weight[held])
    slopes[held] = local
    return slopes


def torn(sheet_mm: Floats, px: Floats, step_mm: float) -> bool:
    """Whether points lie where no single sheet has them: ids of one board on the picture of another."""
    weight, held = _neighbours(sheet_mm, 1.6 * step_mm)
    if not held.any():
        return False
    maps, middle = _straight_maps(sheet_mm, px, weight[held])
    away_mm = sheet_mm[held] - middle[:, :2]
    foretold = middle[:, 2:] + (maps @ away_mm[..., None])[..., 0]
    side_px = np.sqrt(np.abs(np.linalg.det(maps))) * step_mm
    off = np.hypot(*(foretold - px[held]).T) > OFF_BY * side_px
    return bool(off.mean() > MOST_OFF)


def mirrored(sheet_mm: Floats, px: Floats) -> bool:
    """Whether the sheet's y axis, up as printed, is seen turned the wrong way round from its x axis."""
    return bool(np.median(np.linalg.det(_homography_slopes(sheet_mm, px))) > 0)


def _homography_slopes(sheet_mm: Floats, px: Floats) -> Floats:
    h = np.asarray(cv2.findHomography(sheet_mm, px)[0], float)
    top = sheet_mm @ h[:2, :2].T + h[:2, 2]
    bottom = (sheet_mm @ h[2, :2] + h[2, 2])[:, None, None]
    return np.asarray((h[None, :2, :2] * bottom - top[:, :, None] * h[None, None, 2, :2]) / bottom**2)


def _neighbours(sheet_mm: Floats, reach_mm: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(N, N) who is near whom, itself left out, and (N,) whose neighbours hold a slope both ways."""
    apart = np.hypot(*(sheet_mm[:, None] - sheet_mm[None]).T).T
    near = (apart < reach_mm) & (apart > 0)
    _, spread = _spreads(sheet_mm, near)
    values = np.linalg.eigvalsh(spread)
    held = (near.sum(axis=1) >= 3) & (values[:, 0] > FLAT_ENOUGH**2 * np.maximum(values[:, 1], 1e-12))
    return near, held


def _spreads(sheet_mm: Floats, near: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Means (N, 2) and covariances (N, 2, 2) of each point's neighbours in the sheet."""
    share = near / np.maximum(near.sum(axis=1, keepdims=True), 1)
    middle = share @ sheet_mm
    away = sheet_mm[None] - middle[:, None]
    return middle, np.einsum("nm,nmi,nmj->nij", share, away, away)


def _straight_maps(sheet_mm: Floats, px: Floats, near: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Least-squares slopes (N, 2, 2) through each point's neighbours; their means (N, 4), mm and px."""
    middle, spread = _spreads(sheet_mm, near)
    share = near / near.sum(axis=1, keepdims=True)
    middle_px = share @ px
    away, away_px = sheet_mm[None] - middle[:, None], px[None] - middle_px[:, None]
    mixed = np.einsum("nm,nmi,nmj->nij", share, away_px, away)
    return mixed @ np.linalg.inv(spread), np.column_stack([middle, middle_px])
