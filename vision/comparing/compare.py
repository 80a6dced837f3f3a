"""Hold a measured unit against what was expected of it: the best rigid fit, then a verdict that knows its risk.

A verdict allows for the uncertainty by a guard band of 1.645 standard uncertainties at each limit: whoever is told
"fits" is wrong in at most 5 of 100 cases at the very limit (ISO 14253-1:2017, default rule).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from shapely import Polygon

from vision.comparing.expected import ExpectedShape
from vision.comparing.figures import GUARD, Figure, figures_of, offsets_u_mm
from vision.comparing.findings import find_changes
from vision.comparing.rigidfit import OTHER_MM, Fit, best_fit, fit_numbered, may_fit, motion_rows, turn_matrix
from vision.polygons import outward_normals
from vision.seams.place import PlacedSeam, placed_seams
from vision.units import Judged, MeasuredUnit, Verdict

__all__ = ["GUARD", "TROUBLES", "best_fit", "judge", "judge_numbered"]

Floats = NDArray[np.float64]

TROUBLES = {
    "cut_off": "it reaches beyond the picture: move it in",
    "blurred": "the picture is blurred: focus the camera, and let things lie still",
    "overexposed": "the mat is too bright for the camera, light cloth would not show: give it less light",
    "unsure": "a side is hardly seen: use more light, or a mat of another colour",
    "touching": "it touches another: move them apart",
    "no_straight_sides": "no straight sides were found: smooth it, or move it away from others",
}
MEASURED_ALL_THE_SAME = frozenset({"unsure"})  # troubles that leave figures with an honest, if great, uncertainty
NEARLY_MM = 4.0 * OTHER_MM
NONE_OF_THEM = "none of the expected shapes"
TURNED = "the mirror image of what was expected: lay it printed face up; if it is, it was cut from the wrong side"
NO_SEAM = "no seam is seen where two fabrics should meet: use more light, or look whether it was sewn there"


def judge(unit: MeasuredUnit, expected: Sequence[ExpectedShape]) -> Judged:
    """The verdict on `unit` beside the best match among `expected`; none expected, no verdict.

    The order of the verdicts: look again, other, turned over, short, trim, close, fits. A seam counts like a side; of
    one that was not seen nothing is known, so that no limit is far enough from it: close, with no probability.
    """
    if not expected:
        return Judged(unit, why=TROUBLES.get(unit.trouble or "", ""))
    if unit.trouble is not None and unit.trouble not in MEASURED_ALL_THE_SAME:
        return Judged(unit, expected[0].name, verdict=Verdict.LOOK_AGAIN, why=TROUBLES.get(unit.trouble, unit.trouble))
    fit = _nearest(unit, expected)
    if fit is None or fit.worst_corner_mm > OTHER_MM:
        return _unlike(unit, fit, expected[0].name)
    return _judged_on(unit, fit)


def judge_numbered(unit: MeasuredUnit, shape: ExpectedShape, roll: int) -> Judged:
    """The verdict on a sound `unit` that lies face up, where it is known which side is which.

    Corner `roll` of `shape` is corner 0 of `unit`; a shape that a turn lays on itself fits several ways.
    """
    return _judged_on(unit, fit_numbered(unit, shape, roll))


def _judged_on(unit: MeasuredUnit, fit: Fit) -> Judged:
    seams = placed_seams(unit.seams, fit.seams_mat_mm)
    placed = _renumbered(unit, fit.roll, seams)
    seams = placed_seams(placed.seams, fit.seams_mat_mm)
    changes = find_changes(placed, fit)
    judged = Judged(
        placed,
        fit.shape.name,
        fit.offsets_mm,
        offsets_u_mm(placed),
        findings=changes,
        said_in=fit.shape.said_in,
    )
    if unit.trouble is not None:
        return replace(judged, verdict=Verdict.LOOK_AGAIN, why=TROUBLES.get(unit.trouble, unit.trouble))
    if fit.mirrored:
        return replace(judged, verdict=Verdict.TURNED_OVER, why=TURNED)
    return _judged(judged, fit, seams)


def _nearest(unit: MeasuredUnit, expected: Sequence[ExpectedShape]) -> Fit | None:
    """The best of the expected shapes; one within 6 mm at every corner goes before any that is not."""
    if unit.curved is not None:
        return None
    near = [may_fit(unit, shape) for shape in expected]
    fits = [fit for shape, may in zip(expected, near, strict=True) if may and (fit := best_fit(unit, shape))]
    if not any(fit.worst_corner_mm <= OTHER_MM for fit in fits):
        fits += [fit for shape, may in zip(expected, near, strict=True) if not may and (fit := best_fit(unit, shape))]
    return min(fits, key=lambda fit: (fit.worst_corner_mm > OTHER_MM, fit.misfit_mm), default=None)


def _unlike(unit: MeasuredUnit, fit: Fit | None, name: str) -> Judged:
    if unit.trouble is not None:
        return Judged(unit, name, verdict=Verdict.LOOK_AGAIN, why=TROUBLES.get(unit.trouble, unit.trouble))
    if fit is None:
        return Judged(unit, name, verdict=Verdict.OTHER, why=NONE_OF_THEM)
    placed = _renumbered(unit, fit.roll, ())
    other = Judged(placed, fit.shape.name, fit.offsets_mm, offsets_u_mm(placed), Verdict.OTHER, None, NONE_OF_THEM)
    changes = find_changes(placed, fit) if fit.worst_corner_mm <= NEARLY_MM else ()
    # One side alone that explains it, as of a tip that a turn moves far, is worth a word; more are no explanation.
    return replace(other, findings=changes) if len({one.sides for one in changes}) == 1 else other


def _renumbered(unit: MeasuredUnit, roll: int, seams: Sequence[PlacedSeam]) -> MeasuredUnit:
    """The same unit, its corners and seams numbered as the expected shape's; seams more than expected come last."""
    n = len(unit.corners_mat_mm)

    def side(one: int) -> int:
        return (one + roll) % n

    taken = [seam.found for seam in sorted(seams, key=lambda seam: seam.index)]
    others = [seam for seam in unit.seams if not any(_same_line(seam.ends_mat_mm, one.ends_mat_mm) for one in taken)]
    widths = [replace(width, sides=_ordered(*map(side, width.sides))) for width in unit.widths]
    return replace(
        unit,
        corners_mat_mm=np.roll(unit.corners_mat_mm, roll, axis=0),
        corners_u_mm=np.roll(unit.corners_u_mm, roll),
        offsets_u_mm=np.roll(unit.offsets_u_mm, roll),
        tilts_u_rad=np.roll(unit.tilts_u_rad, roll),
        bows_mm=np.roll(unit.bows_mm, roll),
        widths=tuple(widths),
        seams=(*taken, *others),
        bows_u_mm=None if unit.bows_u_mm is None else np.roll(unit.bows_u_mm, roll),
        blemishes=tuple(replace(one, side=side(one.side)) for one in unit.blemishes),
        doubt=None if unit.doubt is None else unit.doubt.rolled(roll),
    )


def _judged(judged: Judged, fit: Fit, seams: Sequence[PlacedSeam]) -> Judged:
    figures = figures_of(judged.unit, fit, seams)
    verdict, worst = _verdict(figures.all, judged.unit, fit, seams)
    if verdict in (Verdict.FITS, Verdict.CLOSE) and len(seams) < len(fit.seams_mat_mm):
        return replace(judged, verdict=Verdict.CLOSE, why=NO_SEAM)
    probability = figures.fit_probability
    judged = replace(judged, verdict=verdict, fit_probability=probability)
    if worst is None:
        return judged
    sure = f", {100 * probability:.0f} % sure to fit" if verdict is Verdict.CLOSE else ""
    return replace(judged, why=worst.words(fit.shape.said_in) + sure, marks=worst.sides)


def _verdict(
    figures: Sequence[Figure], unit: MeasuredUnit, fit: Fit, seams: Sequence[PlacedSeam]
) -> tuple[Verdict, Figure | None]:
    """What is said, and the figure that says it."""
    sizes = [figure for figure in figures if figure.kind in ("width", "offset")]
    # An angle or a seam out of its limit is neither too much nor too little; whether it can be cut away decides.
    skew = [one for one in figures if one not in sizes and (one.under or one.over)]
    short = [figure for figure in sizes if figure.under]
    if short:
        return Verdict.SHORT, min(short, key=lambda one: one.off)
    lost = [one for one in skew if not _can_be_cut(unit, fit, seams, one)]
    if lost:
        return Verdict.SHORT, max(lost, key=_excess)
    over = [figure for figure in sizes if figure.over]
    if over:
        return Verdict.TRIM, max(over, key=lambda one: one.off)
    if skew:
        return Verdict.TRIM, max(skew, key=_excess)
    near = [figure for figure in figures if figure.near]
    if near:
        return Verdict.CLOSE, min(near, key=lambda one: one.fit_probability)
    return Verdict.FITS, None


def _excess(figure: Figure) -> float:
    return abs(figure.off) / figure.limit if figure.limit > 0.0 else math.inf


def _can_be_cut(unit: MeasuredUnit, fit: Fit, seams: Sequence[PlacedSeam], wrong: Figure) -> bool:
    """Whether the expected shape, less its tolerance, still lies inside the outline: as it is laid, or moved in it.

    Where a seam is off, the shape must lie on that seam.
    """
    slack = max(fit.shape.side_tolerance_mm(i) for i in range(len(fit.corners_mat_mm)))
    area = Polygon(unit.corners_mat_mm).buffer(slack + 1e-9, join_style="mitre", mitre_limit=50.0)
    if wrong.seam is not None:
        seam = next(one for one in seams if one.index == wrong.seam)
        turned = (fit.corners_mat_mm - seam.middle_mat_mm) @ turn_matrix(seam.turn_rad).T
        return bool(area.covers(Polygon(turned + seam.middle_mat_mm + seam.left * seam.offset_mm)))
    laid = (fit.corners_mat_mm, _roomiest(fit.corners_mat_mm, unit.corners_mat_mm))
    return any(bool(area.covers(Polygon(corners))) for corners in laid)


def _roomiest(corners: Floats, outline: Floats) -> Floats:
    """The shape moved a little so that its corners lie as deep inside the sides' lines as they can (linear program)."""
    normals, centre = outward_normals(outline), corners.mean(axis=0)
    pairs = [(corner, side) for corner in range(len(corners)) for side in range(len(outline))]
    points, across = corners[[c for c, _ in pairs]], normals[[s for _, s in pairs]]
    size = float(np.max(np.abs(corners - centre)))
    room = np.sum((outline[[s for _, s in pairs]] - points) * across, axis=1)
    rows = np.column_stack([motion_rows(points, across, centre, size), np.ones(len(pairs))])
    solved = linprog([0.0, 0.0, 0.0, -1.0], rows, room, bounds=[(-OTHER_MM, OTHER_MM)] * 3 + [(None, None)])
    if not solved.success:
        return corners
    motion = np.asarray(solved.x)
    moved = (corners - centre) @ turn_matrix(float(motion[2]) / size).T
    return np.asarray(moved + centre + motion[:2])


def _ordered(one: int, other: int) -> tuple[int, int]:
    return min(one, other), max(one, other)


def _same_line(one: Floats, other: Floats) -> bool:
    return bool(np.allclose(one, other) or np.allclose(one, other[::-1]))
