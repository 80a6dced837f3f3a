"""What was measured in a rehearsal beside what was true. Only the summary of a rehearsal may know this."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.guide.steps import StripRecord
from projector.guide.yardage.layout import outline_of
from projector.rehearsal.truth import TrueSewn, TrueUnit, Truth
from vision.polygons import side_distances
from vision.units import Judged, Width

Floats = NDArray[np.float64]

SAME_MM = 15.0  # a measured unit lies this near to the true one that it is
ROUNDS = 3  # of pairing and of taking out what all pairs have in common: pairs no longer change


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
    strips: tuple[StripPair | None, ...] = ()
    blade_mm: float = 0.0  # how far the blade really ran beside the ruler


@dataclass(frozen=True, slots=True)
class StripPair:
    """A strip from yardage as measured, and the true width between its cuts and bend at its fold."""

    width_mm: float
    width_u_mm: float
    true_width_mm: float
    bend_rad: float | None
    true_bend_rad: float


def score(
    units: Sequence[Judged], truth: Truth, margin_mm: float | None = None, strips: Sequence[StripRecord] = ()
) -> Score:
    """Match judged units and strips with true ones by where they lay, units beside what is common to all of them.

    A rig may find the mat's corner a millimetre aside; a unit lies as near to itself before it was trimmed.
    `margin_mm` is the paper beside the chessboard, for a rig in the first sheet's frame; None for one in the mat's.
    """
    seen = [_true_frame(judged.unit.corners_mat_mm, truth, margin_mm) for judged in units]
    shift_mm = _common_shift_mm(seen, truth)
    pairs = [_pairs(judged, place + shift_mm, truth) for judged, place in zip(units, seen, strict=True)]
    errors = [pair.error_mm for unit in pairs for pair in unit]
    rms = math.sqrt(float(np.mean(np.square(errors)))) if errors else None
    found = tuple(_strip_pair(record, truth, margin_mm) for record in strips)
    return Score(tuple(pairs), rms, truth.line_error_rms_mm, found, truth.blade_mm)


def _strip_pair(record: StripRecord, truth: Truth, margin_mm: float | None) -> StripPair | None:
    """Beside the true strip that lies there; None where none does."""
    strip = record.judged.strip
    seen = _true_frame(outline_of(strip), truth, margin_mm).mean(axis=0)
    far = [float(np.hypot(*(one.laid_mat_mm.mean(axis=0) - seen))) for one in truth.strips]
    if not far or min(far) > SAME_MM:
        return None
    true = truth.strips[int(np.argmin(far))]
    return StripPair(strip.width_mm, strip.width_u_mm, true.width.mean_mm, record.bend_rad, true.bend_rad)


def _common_shift_mm(seen_mat_mm: Sequence[Floats], truth: Truth) -> Floats:
    """(2,) from where units were seen to where they truly lay, the median of all; some may be paired wrongly yet."""
    shift_mm = np.zeros(2)
    for _ in range(ROUNDS):
        found = [(place, _nearest(place + shift_mm, truth)) for place in seen_mat_mm]
        steps = [(np.roll(one[0].laid_mat_mm, one[1], axis=0) - place).mean(axis=0) for place, one in found if one]
        if steps:
            shift_mm = np.median(steps, axis=0)
    return shift_mm


def _pairs(judged: Judged, seen_mat_mm: Floats, truth: Truth) -> tuple[WidthPair, ...]:
    """Each width with the true distance of the same two sides."""
    found = _nearest(seen_mat_mm, truth)
    if found is None:
        return ()
    corners = np.roll(found[0].corners_mm, found[1], axis=0)
    return tuple(WidthPair(width, side_distances(corners, *width.sides)[0]) for width in judged.unit.widths)


def _nearest(seen_mat_mm: Floats, truth: Truth) -> tuple[TrueUnit | TrueSewn, int] | None:
    """The true unit that lay there, and by how many places its corners are numbered on; None where none did."""
    best: tuple[float, TrueUnit | TrueSewn, int] | None = None
    units: list[TrueUnit | TrueSewn] = [*truth.units, *(one for one in truth.sewn if not one.is_block)]
    for unit in units:
        if len(unit.laid_mat_mm) != len(seen_mat_mm):
            continue
        for roll in range(len(seen_mat_mm)):
            off = float(np.max(np.hypot(*(np.roll(unit.laid_mat_mm, roll, axis=0) - seen_mat_mm).T)))
            if best is None or off < best[0]:
                best = off, unit, roll
    return None if best is None or best[0] > SAME_MM else best[1:]


def _true_frame(points_mat_mm: Floats, truth: Truth, margin_mm: float | None) -> Floats:
    """Points of the rig's frame (the first flat sheet's chessboard, or the mat's) in the true mat frame."""
    if margin_mm is None:
        return points_mat_mm
    first = next(sheet for sheet in truth.sheets if sheet.what == "sheet_flat")
    return first.pose.world_from_own(points_mat_mm + margin_mm)[:, :2]
