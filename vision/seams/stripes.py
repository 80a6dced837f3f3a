"""A striped print's lines are no seams: they lie nearer to each other than strips are sewn, their colours come again.

Two seams are never nearer than an allowance, 1/4 in, which lies beside each; and strips narrower than 1/2 in are hardly
ever sewn (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.seams.search import Cells
from vision.units import Seam

Floats = NDArray[np.float64]

NARROWEST_MM, NARROW_MM, MANY, PARALLEL_RAD = 6.0, 12.5, 4, math.radians(3.0)
ALIKE = 0.2  # of the step across the line: colours that differ by less are one fabric's
HALFWAY = 0.5  # of it: where one side's colour comes again on the other, nor is that of one colour
MOSTLY = 0.5  # of what lies beyond a stripe is its ground again


def is_stripe(cells: Cells, line_mat_mm: Floats) -> bool:
    """Whether a line (2, 2) that parts the cells is one of a print.

    The mean colours along the line tell, by their distance from it. In stripes one side's colour beside the line comes
    again on the other side, nearer than strips are sewn, and the other's on this side at least halfway: there may be
    stripes of several colours. Of the last of some stripes only the ground's does, but there is little else beyond it.
    """
    profile = _profile(cells, line_mat_mm)
    if profile is None:
        return False
    step_mm, left, right = profile
    near = max(2, math.ceil(NARROW_MM / step_mm))
    step = float(np.hypot.reduce(left[0] - right[0]))
    away = [np.hypot.reduce(side[1:] - other[0], axis=1) / step for side, other in ((left, right), (right, left))]
    nearest = sorted(float(one[: near - 1].min()) for one in away)
    if nearest[0] < ALIKE and nearest[1] < HALFWAY:
        return True
    returns = [one < ALIKE for one in away]
    return any(_is_single(one, near) for one in returns)


def _is_single(returns: NDArray[np.bool_], near: int) -> bool:
    """Whether the other side's colour begins again soon (`returns`, step by step), and then goes on."""
    if not returns[: near - 1].any():
        return False
    beyond = returns[int(np.argmax(returns)) :]
    return len(beyond) > 1 and float(beyond.mean()) > MOSTLY


def _profile(cells: Cells, line_mat_mm: Floats) -> tuple[float, Floats, Floats] | None:
    """How far one step is, and mean levels (K, 3) of each side, step by step away from the line; None of too few steps.

    What lies within half a step of the line is left out: it is blurred.
    """
    along = line_mat_mm[1] - line_mat_mm[0]
    across = (cells.places_mat_mm - line_mat_mm[0]) @ np.array([-along[1], along[0]]) / np.hypot(*along)
    step_mm = math.sqrt(float(np.prod(np.ptp(cells.places_mat_mm, axis=0))) / len(across))
    sides = []
    for away in (across, -across):
        number = np.floor(away / step_mm - 0.5).astype(np.int64)
        use = number >= 0
        count = np.bincount(number[use], cells.moments[use, 0])
        if len(count) < 2:
            return None
        sums = np.stack([np.bincount(number[use], cells.moments[use, c]) for c in (1, 2, 3)], axis=1)
        if not count[0] or not count[1]:
            return None
        sides.append((sums / np.maximum(count, 1.0)[:, None])[count > 0])
    return step_mm, sides[0], sides[1]


def without_stripes(found: Sequence[Seam]) -> tuple[Seam, ...]:
    """Seams, the strongest first, without a striped print's lines: parallel ones, some of them too near to be sewn.

    Of two alone the weaker is where the allowance ends under the cloth.
    """
    kept = list(found)
    for first in found:
        family = [one for one in kept if _turned_rad(one, first) < PARALLEL_RAD]
        least_mm = NARROWEST_MM if len(family) < MANY else NARROW_MM
        near = any(_apart_mm(a, b) < least_mm for k, a in enumerate(family) for b in family[:k])
        if near:
            gone = family[1:] if len(family) == 2 else family
            kept = [one for one in kept if one not in gone]
    return tuple(kept)


def _turned_rad(one: Seam, other: Seam) -> float:
    ways = [math.atan2(*(seam.ends_mat_mm[1] - seam.ends_mat_mm[0])[::-1]) for seam in (one, other)]
    return abs(math.remainder(ways[0] - ways[1], math.pi))


def _apart_mm(one: Seam, other: Seam) -> float:
    """From one seam's middle to the other's line."""
    a, b = other.ends_mat_mm
    away, ahead = one.ends_mat_mm.mean(axis=0) - a, (b - a) / np.hypot(*(b - a))
    return abs(float(away[0] * ahead[1] - away[1] * ahead[0]))
