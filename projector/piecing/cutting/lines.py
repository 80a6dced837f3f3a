"""Cuts as lines in the strip's own coordinates, in their order: what each is measured from, and what is kept.

The strip lies along x, its lower edge at y = 0, its raw left end at x = 0. A line runs from its lower to its upper
end; what is kept lies on its right, seen that way: the next unit is cut off there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from projector.piecing.cutting.straight import StraightPatch
from projector.piecing.plans import Cut, Strip, slant_loss_mm, units_from_strip

Floats = NDArray[np.float64]
Datum = Literal["raw end", "last cut", "strip edge"]


@dataclass(frozen=True, eq=False, slots=True)
class CutLine:
    """One straight cut through a strip, edge to edge."""

    ends_mm: Floats  # (2, 2) lower end, upper end
    measured_from: Datum
    distance_mm: float  # from there, at right angles to the cut; along the lower edge if the last cut is not parallel
    angle_rad: float  # to the strip's edge, or its seam; (0, pi/2]
    frees: bool  # whether a unit comes off: all but the truing cut


def parallel_cuts(strip: Strip, cut: Cut, units: int | None = None) -> list[CutLine]:
    """The truing cut and one more for each unit; as many units as the strip gives unless said."""
    units = units_from_strip(strip, cut) if units is None else units
    slope = 0.0 if cut.angle_rad == math.pi / 2 else 1.0 / math.tan(cut.angle_rad)
    run = strip.width_mm * slope * (1.0 if cut.lean == "right" else -1.0)
    low = strip.true_margin_mm / math.sin(cut.angle_rad) + (0.0 if run >= 0.0 else slant_loss_mm(strip, cut))
    step = cut.width_mm / math.sin(cut.angle_rad)
    lines = []
    for k in range(units + 1):
        ends = np.array([[low + k * step, 0.0], [low + k * step + run, strip.width_mm]])
        datum: Datum = "last cut" if k else "raw end"
        lines.append(CutLine(ends, datum, cut.width_mm if k else strip.true_margin_mm, cut.angle_rad, k > 0))
    return lines


def turned_cuts(patch: StraightPatch, units: int, margin_mm: float) -> list[CutLine]:
    """The truing cut and one more for each patch of a row in which every second one is turned."""
    start = np.array([patch.truing_mm(margin_mm), 0.0])
    row = [one + start for one in patch.row_mm(units)]
    lines: list[CutLine] = []
    for k in range(units + 1):
        ends = _left_cut(row[k]) if k < units else _right_cut(row[-1])
        along = ends[1] - ends[0]
        angle = math.atan2(abs(float(along[1])), abs(float(along[0])))
        far = margin_mm if k == 0 else float(ends[0, 0] - lines[-1].ends_mm[0, 0])
        lines.append(CutLine(ends, "strip edge" if k else "raw end", far, angle, k > 0))
    return lines


def _left_cut(patch: Floats) -> Floats:
    low, high = patch[:, 1] < patch[:, 1].max() / 2.0, patch[:, 1] > patch[:, 1].max() / 2.0
    return np.array([patch[low][np.argmin(patch[low][:, 0])], patch[high][np.argmin(patch[high][:, 0])]])


def _right_cut(patch: Floats) -> Floats:
    low, high = patch[:, 1] < patch[:, 1].max() / 2.0, patch[:, 1] > patch[:, 1].max() / 2.0
    return np.array([patch[low][np.argmax(patch[low][:, 0])], patch[high][np.argmax(patch[high][:, 0])]])
