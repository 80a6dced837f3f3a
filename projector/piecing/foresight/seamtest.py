"""The seam test: what a seam really takes, from strips measured before they are sewn and the set measured after.

Each seam takes its depth s from two strips, so n seams make a set 2 n s narrower than its strips lie side by side
(common practice; strips of 1 1/2 in, three of them joined, show 1 in of the middle one where s is 1/4 in):

    s = (sum of strips - set) / (2 n)

What the fold of the cloth takes up is in it, for a block loses that too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.foresight.forecast import SeamErrors

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Length:
    """A length, or a place along an axis, and its standard uncertainty."""

    mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
class SeamTest:
    """How deep the seams of a set are in the mean, and each, from the lower edge up; `each` is empty where not seen."""

    depth: Length
    planned_mm: float
    each: tuple[Length, ...] = ()

    @property
    def deeper_mm(self) -> float:
        """How much deeper than planned; negative: nearer to the edge."""
        return self.depth.mm - self.planned_mm

    @property
    def errors(self) -> SeamErrors:
        """The same for a forecast of the block."""
        return SeamErrors(self.deeper_mm, 0.0, self.depth.u_mm)


def seam_test(strips: Sequence[Length], sewn: Length, planned_mm: float, seams: Sequence[Length] = ()) -> SeamTest:
    """What the seams of a set take.

    Parameters
    ----------
    strips : the strips' widths before, two or more, in order.
    sewn : the set's width after, raw edge to raw edge.
    planned_mm : the depth that was planned.
    seams : where the seams lie, from the edge of the first strip; each is told apart if there is one fewer than strips.

    Raises
    ------
    ValueError
        Fewer than two strips: there is no seam.

    Notes
    -----
    Widths that were measured at one table, or cut along one ruler, may err alike, and how much is not known here. The
    variance is linear in what they have in common, so the worst is at one of the ends: errors all independent, or all
    of one kind (JCGM 100:2008, 5.2.2, equation 16, with all correlations 0, or all 1). The greater is stated.

    Examples
    --------
    >>> test = seam_test([Length(63.5, 0.2)] * 3, Length(164.3, 0.15), 6.35)
    >>> round(test.depth.mm, 3), round(test.depth.u_mm, 4)
    (6.55, 0.1125)
    """
    count = len(strips) - 1
    if count < 1:
        raise ValueError("a set has two strips at least")
    us = np.array([*(strip.u_mm for strip in strips), sewn.u_mm])
    signs = np.array([1.0] * len(strips) + [-1.0])
    u_mm = max(float(np.hypot.reduce(us)), abs(float(signs @ us))) / (2.0 * count)
    depth_mm = (sum(strip.mm for strip in strips) - sewn.mm) / (2.0 * count)
    each = _each(strips, sewn, seams) if len(seams) == count else ()
    return SeamTest(Length(depth_mm, u_mm), planned_mm, each)


def _each(strips: Sequence[Length], sewn: Length, seams: Sequence[Length]) -> tuple[Length, ...]:
    """Every seam's own depth by least squares: a strip shows what the seams at its sides leave of it.

    Of the two outer strips one seam takes, of inner ones two. There is one strip more than there are seams, and its
    doubt is shared out as the strips' and lines' own say.
    """
    count = len(seams)
    takes = np.zeros((count + 1, count))
    for k in range(count):
        takes[k, k] = takes[k + 1, k] = 1.0
    # The set's edges are as far apart as it is wide; its own doubt is laid on the far one.
    lines = np.array([0.0, *(seam.mm for seam in seams), sewn.mm])
    of_lines = np.array([0.0, *(seam.u_mm for seam in seams), sewn.u_mm]) ** 2
    step = np.diff(np.eye(count + 2), axis=0)
    covariance = step @ np.diag(of_lines) @ step.T + np.diag([strip.u_mm**2 for strip in strips])
    lost = np.array([strip.mm for strip in strips]) - np.diff(lines)
    weights = np.linalg.pinv(covariance)
    spread = np.linalg.inv(takes.T @ weights @ takes)
    depths = spread @ takes.T @ weights @ lost
    return tuple(Length(float(mm), math.sqrt(float(var))) for mm, var in zip(depths, np.diag(spread), strict=True))
