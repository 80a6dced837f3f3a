"""The row of patches on a strip, as a plan has it: from a patch's shape as it lies and the strip's width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from projector.piecing.cutting.nesting import lying_nest
from projector.piecing.cutting.straight import StraightPatch
from projector.piecing.plans import Lay, Strip

Floats = NDArray[np.float64]


def laid_row(strip: Strip, lay: Lay, corners_mm: Floats) -> list[Floats]:
    """All patches (N, 2) of one strip in the strip's frame: its lower edge along x, its raw left end at x = 0."""
    if lay.way == "turned":
        patch = lying(corners_mm)
        return [one + np.array([patch.truing_mm(strip.true_margin_mm), 0.0]) for one in patch.row_mm(lay.per_strip)]
    nest = lying_nest(corners_mm, strip.width_mm, lay.per_strip)
    return [one + np.array([strip.true_margin_mm, 0.0]) for one in nest.row_mm(lay.per_strip)]


def lying(corners_mm: Floats) -> StraightPatch:
    """A patch as a plan writes it, begun at the side on its strip's lower edge."""
    low = np.abs(corners_mm[:, 1]) + np.abs(np.roll(corners_mm[:, 1], -1))
    turned = np.roll(corners_mm, -int(np.argmin(low)), axis=0)
    return StraightPatch(turned - turned[0], 0.0)
