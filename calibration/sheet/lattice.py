"""How the points of a flat board lie to one another in a picture: what a millimetre is there, how rows bend, what fits.

A view of a flat sheet is a homography and, by the lens, something smooth on top: a polynomial of the fourth degree over
the whole sheet where there are corners enough for it, and what is left of it from the neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

REACH_STEPS = 2.3  # neighbours up to two steps away, the diagonal ones too
STEP_SHARE = 0.05  # of a step, for differences of the homography
ORDERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))  # of derivatives by x and y: 1, x, y, xx, xy, yy
HOLD = 0.02  # holds what few neighbours leave open at the homography; a neighbour itself weighs up to 1
NEIGHBOURS = 4  # that tell where a point should be
DEGREE = 4  # third-order distortion seen at a slant, and some of the fifth
POINTS_A_TERM = 2.0  # with fewer corners the polynomial would follow their errors
OFF_BY = 0.2  # of a step: a point so far from where its neighbours want it belongs to another board
MOST_OFF = 0.2  # share of such points


@dataclass(frozen=True, eq=False, slots=True)
class Shape:
    """The view about each point, to second order."""

    along: Floats  # (N, 2) px per mm of the sheet's x
    up: Floats  # (N, 2) px per mm of its y
    along_bend: Floats  # (N,) curvature of the line along x, 1/px, positive towards (-along_y, along_x)
    up_bend: Floats  # (N,) that of the line along y, positive towards (-up_y, up_x)
    off_px: Floats  # (N,) how far the point lies from the smooth view of its neighbours and itself


def local_shape(sheet_mm: Floats, px: Floats, step_mm: float) -> Shape:
    """Slopes and bends of the view at each of the points (N, 2), `step_mm` apart; N >= 4, not in a line."""
    h = np.asarray(cv2.findHomography(sheet_mm, px)[0], float)
    reach = REACH_STEPS * step_mm
    remainder = px - _mapped(h, sheet_mm)
    smooth = _sheet_polynomial(sheet_mm, remainder, reach)  # (N, 6, 2)
    remainder = remainder - smooth[:, 0]
    local = _local_quadratics(sheet_mm, remainder, reach)
    quadratic = smooth + local
    small = STEP_SHARE * step_mm
    slopes, bends = [], []
    for axis, first, second in ((0, 1, 3), (1, 2, 5)):
        by = np.eye(2)[axis] * small
        ahead, here, behind = (_mapped(h, sheet_mm + s * by) for s in (1, 0, -1))
        slopes.append((ahead - behind) / (2 * small) + quadratic[:, first] / reach)
        second_slope = (ahead - 2 * here + behind) / small**2 + 2 * quadratic[:, second] / reach**2
        bends.append(_curvature(slopes[-1], second_slope))
    return Shape(slopes[0], slopes[1], bends[0], bends[1], np.hypot(*(remainder - local[:, 0]).T))


def torn(sheet_mm: Floats, px: Floats, step_mm: float) -> bool:
    """Whether points lie where no single sheet has them: ids of one board on the picture of another."""
    shape = local_shape(sheet_mm, px, step_mm)
    side_px = np.minimum(np.hypot(*shape.along.T), np.hypot(*shape.up.T)) * step_mm
    return bool(np.mean(shape.off_px > OFF_BY * side_px) > MOST_OFF)


def mirrored(sheet_mm: Floats, px: Floats) -> bool:
    """Whether the sheet's y axis, up as printed, is seen turned the wrong way round from its x axis."""
    shape = local_shape(sheet_mm, px, float(np.ptp(sheet_mm)))
    return bool(np.median(shape.along[:, 0] * shape.up[:, 1] - shape.along[:, 1] * shape.up[:, 0]) > 0)


def foretold(known_mm: Floats, known_px: Floats, wanted_mm: Floats, step_mm: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Where points (W, 2) of the sheet should be seen, by known ones (N, 2) about them; N >= 4, not in a line.

    Returns the pixels (W, 2), and which of them have enough neighbours up to two steps away to be relied upon.
    """
    h = np.asarray(cv2.findHomography(known_mm, known_px)[0], float)
    remainder = known_px - _mapped(h, known_mm)
    x, y = np.moveaxis((known_mm[None] - wanted_mm[:, None]) / (REACH_STEPS * step_mm), -1, 0)
    near = (np.hypot(x, y) <= 1.0).astype(float)
    terms = np.stack([np.ones_like(x), x, y], axis=-1)
    weighted = np.swapaxes(terms * near[..., None], 1, 2)
    plane = np.linalg.solve(weighted @ terms + HOLD * np.eye(3), weighted @ remainder)
    return _mapped(h, wanted_mm) + plane[:, 0], near.sum(axis=1) >= NEIGHBOURS


def _mapped(h: Floats, points: Floats) -> Floats:
    mapped = points @ h[:, :2].T + h[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _sheet_polynomial(sheet_mm: Floats, values: Floats, reach: float) -> Floats:
    """(N, 6, 2): one polynomial through all values, to second order about each point as `_local_quadratics` has it."""
    powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    if len(sheet_mm) < POINTS_A_TERM * len(powers):
        return np.zeros((len(sheet_mm), 6, 2))
    middle, half = (sheet_mm.max(axis=0) + sheet_mm.min(axis=0)) / 2, float(np.ptp(sheet_mm, axis=0).max()) / 2
    x, y = ((sheet_mm - middle) / half).T
    slopes = [np.column_stack([_power(x, i, a) * _power(y, j, b) for i, j in powers]) for a, b in ORDERS]
    weights = np.linalg.lstsq(slopes[0], values, rcond=None)[0]
    unit = reach / half
    taylor = [(unit ** (a + b)) / (1 + (a == 2) + (b == 2)) for a, b in ORDERS]
    return np.stack([(slope @ weights) * factor for slope, factor in zip(slopes, taylor, strict=True)], axis=1)


def _power(x: Floats, power: int, order: int) -> Floats:
    """The derivative of that order, up to 2, of x to that power."""
    if order > power:
        return np.zeros_like(x)
    factor = (1, power, power * (power - 1))[order]
    return np.asarray(factor * x ** (power - order))


def _local_quadratics(sheet_mm: Floats, values: Floats, reach: float) -> Floats:
    """(N, 6, 2): 1, x, y, xx, xy, yy about each point, in units of `reach`, through the values of its neighbours."""
    x, y = np.moveaxis((sheet_mm[None] - sheet_mm[:, None]) / reach, -1, 0)
    near = (np.hypot(x, y) <= 1.0).astype(float)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    weighted = terms * near[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ terms + HOLD * np.eye(6)
    return np.asarray(np.linalg.solve(normal, np.swapaxes(weighted, 1, 2) @ values))


def _curvature(slope: Floats, second: Floats) -> Floats:
    across = slope[:, 0] * second[:, 1] - slope[:, 1] * second[:, 0]
    return np.asarray(across / np.hypot(*slope.T) ** 3)
