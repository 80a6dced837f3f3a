"""What truly lies in the rendered frames of a cutting table, and how far measured units are from it.

Truth is for scoring alone; nothing that measures may read it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vision.polygons import outward_normals, sides_of
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

NEAR_THE_MAT = frozenset({"sage", "slate", "blobs_gr"})  # fabrics close to the mat's colour
PRINTS = frozenset({"floral_ro", "dots_navy", "dots_red", "plaid_red", "stripes_bl", "blobs_gr"})
CLASSES = ("solids that stand out", "prints", "near the mat's colour")
NOT_STRAIGHT = frozenset({"bow", "fray"})
FOUND_MM = 6.0  # every corner is nearer than this to its true place
BOARD_MM = 180.0  # height of the chessboard: OpenCV's board frame hangs from its top


@dataclass(frozen=True, eq=False, slots=True)
class TrueUnit:
    """One piece as it really lies, in the mat's own frame."""

    frame: str
    name: str
    fabrics: tuple[str, ...]
    defects: frozenset[str]
    corners_mat_mm: Floats  # (N, 2)
    seam_mat_mm: Floats | None  # (2, 2)
    widths_mm: Mapping[tuple[int, int], float]
    angles_deg: Floats
    told: Mapping[str, Any] = field(default_factory=dict)  # all that the truth file says of it

    @property
    def straight(self) -> bool:
        return not self.defects & NOT_STRAIGHT

    @property
    def fabric_class(self) -> str:
        if NEAR_THE_MAT & set(self.fabrics):
            return CLASSES[2]
        return CLASSES[1] if PRINTS & set(self.fabrics) else CLASSES[0]


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """One measured piece, in the mat's own frame."""

    corners_mat_mm: Floats
    widths_mm: Mapping[tuple[int, int], tuple[float, float]]  # mean and u of a pair of sides
    angles_deg: Floats
    seams_mat_mm: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))
    angles_u_deg: Floats = field(default_factory=lambda: np.empty(0))
    offsets_u_mm: Floats = field(default_factory=lambda: np.empty(0))  # of the sides, where a shape was expected
    event: Mapping[str, Any] = field(default_factory=dict)  # as it was told
    roll: int = 0  # side i of the event is side i + roll here

    @property
    def look_again(self) -> bool:
        return self.event.get("verdict") == "look_again"

    @staticmethod
    def of_event(event: Mapping[str, Any], to_mat: Floats) -> Measured:
        """From a line that the command line wrote; `to_mat` (2, 3) brings its frame to the mat's."""
        widths = {tuple(w["sides"]): (w["mean"], w["u"]) for w in event["widths_mm"]}
        seams = np.array([[s["from"], s["to"]] for s in event["seams"]], float).reshape(-1, 2, 2)
        corners = np.array(event["outline_mat_mm"], float)
        known = (np.array(event.get(key) or [np.nan] * len(corners), float) for key in ("angles_u_deg", "offsets_u_mm"))
        angles = np.array(event["angles_deg"])
        return Measured(moved(corners, to_mat), widths, angles, moved(seams, to_mat), *known, event)

    @staticmethod
    def of_unit(unit: MeasuredUnit, to_mat: Floats) -> Measured:
        widths = {w.sides: (w.mean_mm, w.u_mm) for w in unit.widths}
        seams = np.array([s.ends_mat_mm for s in unit.seams]).reshape(-1, 2, 2)
        return Measured(moved(unit.corners_mat_mm, to_mat), widths, np.degrees(unit.angles_rad), moved(seams, to_mat))


def true_units(frame: Mapping[str, Any]) -> list[TrueUnit]:
    """The units of one frame of the truth file."""
    return [
        TrueUnit(
            frame["file"],
            one["id"],
            tuple(one["fabrics"]),
            frozenset(defect["kind"] for defect in one["defects"]),
            np.array(one["corners_mat"]),
            None if one["seam_mat"] is None else np.array(one["seam_mat"]),
            {tuple(w["edges"]): w["width_mm"] for w in one["actual_measures"]["widths"]},
            np.array(one["actual_measures"]["angle_deg"]),
            one,
        )
        for one in frame["objects"]
        if one.get("type", "unit") == "unit"
    ]


def mat_from_sheet(pose: Mapping[str, Any]) -> Floats:
    """(2, 3): from the frame of a flat sheet (lower left corner, y up) to the mat's, from the sheet's true pose."""
    turn, shift = np.array(pose["R_board_to_mat"])[:2, :2], np.array(pose["t_board_to_mat_mm"])[:2]
    return np.column_stack([turn @ np.diag([1.0, -1.0]), turn @ [0.0, BOARD_MM] + shift])


def moved(points: Floats, to_mat: Floats) -> Floats:
    """Points (..., 2) by a (2, 3) map."""
    return np.asarray(points @ to_mat[:, :2].T + to_mat[:, 2])


@dataclass(frozen=True, eq=False, slots=True)
class Pair:
    """A true unit and what was measured of it, side i of both being the same."""

    truth: TrueUnit
    measured: Measured

    def widths(self) -> list[tuple[float, float]]:
        """Error and stated uncertainty of each width, mm."""
        widths = self.measured.widths_mm
        return [(widths[k][0] - true, widths[k][1]) for k, true in self.truth.widths_mm.items() if k in widths]

    def corners_mm(self) -> list[float]:
        return list(np.hypot(*(self.measured.corners_mat_mm - self.truth.corners_mat_mm).T))

    def angles_deg(self) -> list[float]:
        return list(self.measured.angles_deg - self.truth.angles_deg)

    def angles_and_u_deg(self) -> list[tuple[float, float]]:
        u = self.measured.angles_u_deg
        return list(zip(self.angles_deg(), u, strict=True)) if len(u) else []

    def offsets_and_u_mm(self) -> list[tuple[float, float]]:
        """Of each side's middle from the true side, after the best rigid fit; none of a triangle, which always fits."""
        true, u = self.truth.corners_mat_mm, self.measured.offsets_u_mm
        if len(true) < 4 or not len(u):
            return []
        normals, middles = outward_normals(true), true + sides_of(true) / 2.0
        off = np.sum(
            (self.measured.corners_mat_mm + sides_of(self.measured.corners_mat_mm) / 2.0 - middles) * normals, axis=1
        )
        arms = middles - middles.mean(axis=0)
        moves = np.column_stack([normals, arms[:, 0] * normals[:, 1] - arms[:, 1] * normals[:, 0]])
        left = off - moves @ np.linalg.lstsq(moves, off, rcond=None)[0]
        return list(zip(left, u, strict=True))

    def seam_mm(self) -> list[float] | None:
        """How far the ends of the nearest measured seam are from the line of the true one; None if none is near."""
        if self.truth.seam_mat_mm is None or not len(self.measured.seams_mat_mm):
            return None
        a, b = self.truth.seam_mat_mm
        along = (b - a) / np.hypot(*(b - a))
        off = (self.measured.seams_mat_mm - a) @ np.array([along[1], -along[0]])
        nearest = min(off, key=lambda ends: float(np.max(np.abs(ends))))
        return list(nearest) if np.max(np.abs(nearest)) < FOUND_MM else None


@dataclass(frozen=True, eq=False, slots=True)
class Matched:
    """One frame's units beside its truth."""

    pairs: list[Pair]
    missed: list[TrueUnit]
    invented: list[Measured]  # where no cloth lies


def match(truths: Sequence[TrueUnit], measured: Sequence[Measured]) -> Matched:
    """Pair true and measured units: the same number of sides, and every corner near its true place."""
    pairs, missed = [], []
    for truth in truths:
        placed = [turned for one in measured for turned in _turns(one) if _worst_mm(truth, turned) < FOUND_MM]
        if placed:
            pairs.append(Pair(truth, min(placed, key=lambda one: _worst_mm(truth, one))))
        else:
            missed.append(truth)
    cloth = shapely.union_all([shapely.Polygon(truth.corners_mat_mm) for truth in truths])
    return Matched(pairs, missed, [one for one in measured if _share_on(one, cloth) < 0.5])


def _turns(one: Measured) -> list[Measured]:
    """The same unit with its corners numbered from each in turn."""
    n = len(one.corners_mat_mm)
    return [
        Measured(
            np.roll(one.corners_mat_mm, r, axis=0),
            {(min(s), max(s)): w for k, w in one.widths_mm.items() for s in [((k[0] + r) % n, (k[1] + r) % n)]},
            np.roll(one.angles_deg, r),
            one.seams_mat_mm,
            np.roll(one.angles_u_deg, r),
            np.roll(one.offsets_u_mm, r),
            one.event,
            r,
        )
        for r in range(n)
    ]


def _worst_mm(truth: TrueUnit, one: Measured) -> float:
    if len(one.corners_mat_mm) != len(truth.corners_mat_mm):
        return np.inf
    return float(np.max(np.hypot(*(one.corners_mat_mm - truth.corners_mat_mm).T)))


def _share_on(one: Measured, cloth: shapely.Geometry) -> float:
    outline = shapely.Polygon(one.corners_mat_mm).buffer(0)
    return float(shapely.area(shapely.intersection(outline, cloth)) / max(outline.area, 1e-9))
