"""What was measured in a rehearsal beside what was true. Only the summary of a rehearsal may know this."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.truth import TrueUnit, Truth
from vision.polygons import side_distances
from vision.units import Judged, Width

Floats = NDArray[np.float64]

SAME_MM = 15.0  # a measured unit lies this near to the true one that it is


@dataclass(frozen=True, slots=True)
class WidthPair:
    """One width as measured, and the true one."""

    measured: Width
    true_mm: float

    @property
    def error_mm(self) -> float:
        return self.measured.mean_mm - self.true_mm


@dataclass(frozen=True, slots=True)
class Score:
    """All widths of each judged unit, in order (none where the true unit was not found), and the light's error."""

    units: tuple[tuple[WidthPair, ...], ...]
    width_error_rms_mm: float | None
    line_error_rms_mm: float | None


def score(units: Sequence[Judged], truth: Truth, margin_mm: float | None = None) -> Score:
    """Match judged units with true ones by where they lay.

    `margin_mm` is the paper beside the chessboard, for a rig in the first sheet's frame; None for one in the mat's.
    """
    pairs = [_pairs(judged, truth, margin_mm) for judged in units]
    errors = [pair.error_mm for unit in pairs for pair in unit]
    rms = math.sqrt(float(np.mean(np.square(errors)))) if errors else None
    return Score(tuple(pairs), rms, truth.line_error_rms_mm)


def _pairs(judged: Judged, truth: Truth, margin_mm: float | None) -> tuple[WidthPair, ...]:
    """Each width with the true distance of the same two sides."""
    seen = _true_frame(judged.unit.corners_mat_mm, truth, margin_mm)
    best: tuple[float, TrueUnit, int] | None = None
    for unit in truth.units:
        if len(unit.laid_mat_mm) != len(seen):
            continue
        for roll in range(len(seen)):
            off = float(np.max(np.hypot(*(np.roll(unit.laid_mat_mm, roll, axis=0) - seen).T)))
            if best is None or off < best[0]:
                best = off, unit, roll
    if best is None or best[0] > SAME_MM:
        return ()
    corners = np.roll(best[1].corners_mm, best[2], axis=0)
    return tuple(WidthPair(width, side_distances(corners, *width.sides)[0]) for width in judged.unit.widths)


def _true_frame(points_mat_mm: Floats, truth: Truth, margin_mm: float | None) -> Floats:
    """Points of the rig's frame (the first flat sheet's chessboard, or the mat's) in the true mat frame."""
    if margin_mm is None:
        return points_mat_mm
    first = next(sheet for sheet in truth.sheets if sheet.what == "sheet_flat")
    return first.pose.world_from_own(points_mat_mm + margin_mm)[:, :2]
