"""How a printed sheet bends: a few shapes of lift for each view, and how large such lifts usually are.

Paper rests on the middle and lifts towards its ends or corners. Eight shapes, each 0 where the sheet rests and 1 at
the outermost printed corners of that side, make any smooth curl to some hundredths of its lift: a parabola towards
each of the four ends, and one towards each of the four corners. A sheet keeps its length,
but what a lift of 0.5 mm shortens in the plane, half the integral of the squared slope, is 0.002 mm and is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ENDS, CORNERS = 4, 4
SHAPES = ENDS + CORNERS
GROUP = np.repeat([0, 1], [ENDS, CORNERS])  # ends and corners are of different usual size
LEAST_MM, MOST_MM = 0.003, 1.0  # usual lifts: no paper is flatter, and one that bends more is refused
FLAT_LIFTS = 8.0  # how many lifts of the flattest paper are thought to have been seen already
COMMON_LIFTS = 8.0  # how many lifts of the sheet, however it is held, count for one kind of view
FIRST_MM = 0.1  # usual lift that a solve begins with
MOST_ARCH_MM = 0.02  # of the print's middle over its ends: the paper's own ends are lower, by thrice that
SURELY = 3.0  # standard uncertainties: a calibration asks this some dozens of times
OPPOSITE = np.array([[(1, 0), (0, 1), (1, 1), (1, -1)], [(-1, 0), (0, -1), (-1, -1), (-1, 1)]], float)  # (2, 4, 2)
MOST_LIFT_MM = 0.25  # at the outermost printed corners: what the shapes describe well enough


@dataclass(frozen=True, eq=False, slots=True)
class Extent:
    """The rectangle of printed corners, in the sheet's frame."""

    middle_mm: Floats  # (2,)
    half_mm: Floats  # (2,)


def extent(corners_sheet_mm: Sequence[Floats]) -> Extent:
    """The rectangle about the corners (N, 2) of all views."""
    low = np.min([view.min(axis=0) for view in corners_sheet_mm], axis=0)
    high = np.max([view.max(axis=0) for view in corners_sheet_mm], axis=0)
    return Extent((low + high) / 2, np.maximum(high - low, 1e-9) / 2)


def shapes(points_sheet_mm: Floats, within: Extent) -> Floats:
    """Heights (..., 8) over points (..., 2) of the sheet that a lift of 1 of each shape makes.

    In order: right, left, upper and lower end; upper right, lower left, upper left and lower right corner.

    >>> square = Extent(np.zeros(2), np.array([90.0, 60.0]))
    >>> shapes(np.array([[90.0, 0.0], [45.0, 0.0], [90.0, 60.0]]), square)[:, [0, 1, 4]].round(3).tolist()
    [[1.0, 0.0, 0.25], [0.25, 0.0, 0.062], [1.0, 0.0, 1.0]]
    """
    x, y = np.moveaxis((points_sheet_mm - within.middle_mm) / within.half_mm, -1, 0)
    ends = np.stack([x, -x, y, -y], axis=-1)
    corners = np.stack([x + y, -x - y, y - x, x - y], axis=-1) / 2
    lifted: Floats = np.maximum(np.concatenate([ends, corners], axis=-1), 0.0)
    return lifted**2


def usual_lifts(lifts_mm: Floats, variances_mm2: Floats, usual_mm: Floats, kinds: NDArray[np.int64]) -> Floats:
    """Standard deviations (V, 2) of the lifts at ends and at corners, as the views themselves show them.

    Parameters
    ----------
    lifts_mm, variances_mm2 : (V, 8)
        The lifts that a solve found, and their variances given `usual_mm`.
    usual_mm : (V, 2)
        The standard deviations of the zero-mean priors of that solve.
    kinds : (V,)
        Views of one kind (flat, tilted) share theirs.

    Notes
    -----
    One step towards the maximum of the marginal likelihood: sum of squares over the number of lifts that the views,
    not the prior, determine (D. J. C. MacKay, "Bayesian interpolation", Neural Computation 4, 1992, eq. 4.12).
    Some flat ones are added first, so that three views do not make a curl of their noise; and to each kind some
    of all views, for it is one sheet: flat sheets show little of their lifts, tilted ones much.
    """
    told = np.clip(1.0 - variances_mm2 / np.square(usual_mm)[:, GROUP], 0.0, 1.0)
    found = np.empty_like(usual_mm)
    for group in range(2):
        squares, numbers = (part[:, group == GROUP].sum(axis=1) for part in (lifts_mm**2, told))
        all_mm2 = (squares.sum() + FLAT_LIFTS * LEAST_MM**2) / (numbers.sum() + FLAT_LIFTS)
        for kind in set(kinds.tolist()):
            of = kinds == kind
            found[of, group] = (squares[of].sum() + COMMON_LIFTS * all_mm2) / (numbers[of].sum() + COMMON_LIFTS)
    return np.clip(np.sqrt(found), LEAST_MM, MOST_MM)


@dataclass(frozen=True, slots=True)
class Bend:
    """How far one view's sheet lifts at its outermost printed corners or ends, mm; standard uncertainty.

    Its middle stands `arch_mm` higher than two opposite ends or corners, on the mean of these.
    """

    lift_mm: float
    u_mm: float
    arch_mm: float = 0.0
    arch_u_mm: float = 0.0

    @property
    def curled(self) -> bool:
        """Whether it bends more than the shapes describe, beyond what is doubtful of the lift itself."""
        return self.lift_mm > MOST_LIFT_MM + SURELY * self.u_mm

    @property
    def arched(self) -> bool:
        """Whether its middle does not rest, beyond doubt: nothing tells then how high it lies."""
        return self.arch_mm > max(MOST_ARCH_MM, SURELY * self.arch_u_mm)


def opposite_ends(within: Extent) -> Floats:
    """(4, 8): how high two opposite ends or corners stand, on the mean of both, for a lift of 1 of each shape."""
    return np.asarray(shapes(within.middle_mm + within.half_mm * OPPOSITE, within).mean(axis=0))


def bend(made: Floats, opposite: Floats, lifts_mm: Floats, covariance_mm2: Floats) -> Bend:
    """How far a view's corners lift and its middle arches.

    Parameters
    ----------
    made : (N, 8)
        Of its corners, by `shapes`.
    opposite : (4, 8)
        By `opposite_ends`.
    lifts_mm, covariance_mm2 : (8,), (8, 8)
    """
    height = made @ lifts_mm
    apart = made[int(np.argmax(height))] - made[int(np.argmin(height))]
    lowest = opposite[int(np.argmin(opposite @ lifts_mm))]
    return Bend(float(np.ptp(height)), _u(apart, covariance_mm2), -float(lowest @ lifts_mm), _u(lowest, covariance_mm2))


def _u(shares: Floats, covariance: Floats) -> float:
    return math.sqrt(max(float(shares @ covariance @ shares), 0.0))
