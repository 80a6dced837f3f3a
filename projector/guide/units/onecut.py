"""What one cut tells of the hand that made it: how far beside its line it ran, seen at the strip or at the unit.

Distances are positive away from the ruler, which lies on the strip (see `blade.py`).
"""

from __future__ import annotations

import numpy as np

from projector.guide.units.layout import CutLine, Floats, FoundStrip, inward
from projector.piecing.plans import Cut
from vision.units import MeasuredUnit

CUT_SIDES = (1, 3)  # of a unit that parallel cuts take from a strip


def beside_at_strip_mm(before: FoundStrip, line: CutLine, after: FoundStrip, cut: Cut) -> float | None:
    """From the line to the strip's new end, both seen from its far end, however the strip was nudged in between.

    None where the far end was not seen the same both times. The far end is measured twice alike, so that the errors of
    its sides nearly cancel.
    """
    if before.cut_off or after.cut_off or before.far_end_mat_mm.shape != after.far_end_mat_mm.shape:
        return None
    shown = _depth_mm(before, line.cloth_mat_mm.mean(axis=0), cut)
    return _depth_mm(after, after.end_middle_mat_mm, cut) - shown


def beside_at_unit_mm(unit: MeasuredUnit, cut: Cut, shift_mm: float) -> float | None:
    """By the unit's width, where the strip cannot tell: its line was shown at the cut's width and the shift."""
    wide = next((width.mean_mm for width in unit.widths if width.sides == CUT_SIDES), None)
    return None if wide is None else cut.width_mm + shift_mm - wide


def _depth_mm(strip: FoundStrip, point: Floats, cut: Cut) -> float:
    """How far the far end lies beyond a point, across the cut."""
    return float(np.mean((strip.far_end_mat_mm - point) @ inward(strip, cut)))
