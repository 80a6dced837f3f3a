"""Hold a measured unit against what was expected of it: the best rigid fit, then a verdict that knows its risk.

A verdict allows for the uncertainty by a guard band of 1.645 standard uncertainties at each limit: whoever is told
"fits" is wrong in at most 5 of 100 cases at the very limit (ISO 14253-1:2017, default rule).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.expected import ExpectedShape
from vision.polygons import depths, interior_angles, outward_normals, side_distances, sides_of
from vision.units import Judged, MeasuredUnit, Seam, Verdict

Floats = NDArray[np.float64]

GUARD = 1.645  # standard uncertainties at each limit: 5 % on one side of a normal distribution
OTHER_MM = 6.0  # farther off than this at a corner is another shape
BLIND = 0.1  # of what side midpoints see best: a motion that they see less of is not theirs to decide
SAME_MISFIT_MM = 0.02  # two numberings of a symmetric shape fit as well as each other
MIRROR_MM = 1.0  # a mirror image nearer than this to the shape is the same shape


def judge(unit: MeasuredUnit, expected: Sequence[ExpectedShape]) -> Judged:
    """The verdict on `unit` beside the best match among `expected`; none expected, no verdict.

    The order of the verdicts: look again, other, turned over, short, trim, close, fits.
    """
    if not expected:
        return Judged(unit, why=TROUBLES.get(unit.trouble or "", ""))
    if unit.trouble is not None:
        return Judged(unit, expected[0].name, verdict=Verdict.LOOK_AGAIN, why=TROUBLES.get(unit.trouble, unit.trouble))
    fits = [fit for shape in expected for fit in (best_fit(unit, shape),) if fit is not None]
    if not fits:
        return Judged(unit, expected[0].name, verdict=Verdict.OTHER, why="none of the expected shapes")
    fit = min(fits, key=lambda one: one.misfit_mm)
    placed = _renumbered(unit, fit.roll)
    if fit.worst_corner_mm > OTHER_MM:
        why = "none of the expected shapes"
        return Judged(placed, fit.shape.name, fit.offsets_mm, placed.offsets_u_mm, Verdict.OTHER, None, why)
    if fit.mirrored:
        why = "the mirror image of what was expected"
        return Judged(placed, fit.shape.name, fit.offsets_mm, placed.offsets_u_mm, Verdict.TURNED_OVER, None, why)
    figures = _figures(placed, fit)
    verdict, why = _verdict(figures, placed, fit)
    probability = min(figure.fit_probability for figure in figures)
    return Judged(placed, fit.shape.name, fit.offsets_mm, placed.offsets_u_mm, verdict, probability, why)


TROUBLES = {
    "cut_off": "it reaches beyond the picture: move it in",
    "blurred": "the picture is blurred: focus the camera, and let things lie still",
    "unsure": "a side is hardly seen: use more light, or a mat of another colour",
    "no_straight_sides": "no straight sides were found: smooth it, or move it away from others",
}


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """An expected shape laid on a measured outline.

    `roll` is how far the outline's numbering is turned against the shape's; `corners_mat_mm` is where the shape's
    corners come to lie, counter-clockwise from its corner 0 (a mirror image is walked backwards for that).
    """

    shape: ExpectedShape
    roll: int
    mirrored: bool
    corners_mat_mm: Floats
    offsets_mm: Floats  # (N,) of the unit's side midpoints, positive outward, in the order of those corners
    misfit_mm: float
    worst_corner_mm: float


def best_fit(unit: MeasuredUnit, shape: ExpectedShape) -> Fit | None:
    """The best of all turns of the numbering, either side up; None where the number of sides differs.

    A mirror image is chosen only where it explains the outline better than the shape itself by a clear step.
    """
    if len(unit.corners_mat_mm) != len(shape.corners_mm):
        return None
    upright, turned = (
        _lowest([_fit(unit, shape, roll, mirrored) for roll in range(len(shape.corners_mm))], unit)
        for mirrored in (False, True)
    )
    nearer = turned.worst_corner_mm + MIRROR_MM < upright.worst_corner_mm
    return turned if nearer and turned.misfit_mm < 0.5 * upright.misfit_mm else upright


def _lowest(fits: Sequence[Fit], unit: MeasuredUnit) -> Fit:
    """The best fit; of those that a symmetric shape makes equal, the one whose corner 0 lies lowest on the mat."""
    least = min(fit.misfit_mm for fit in fits)
    equal = [fit for fit in fits if fit.misfit_mm <= least + SAME_MISFIT_MM]
    return min(equal, key=lambda fit: tuple(unit.corners_mat_mm[-fit.roll % len(unit.corners_mat_mm)][::-1]))


def _fit(unit: MeasuredUnit, shape: ExpectedShape, roll: int, mirrored: bool) -> Fit:
    expected = shape.corners_mm * (-1.0, 1.0) if mirrored else shape.corners_mm
    seams = shape.seams_mm * (-1.0, 1.0) if mirrored else shape.seams_mm
    # A mirrored polygon runs clockwise: walk it backwards, keeping its first corner first.
    order = np.roll(np.arange(len(expected))[::-1], 1) if mirrored else np.arange(len(expected))
    measured = np.roll(unit.corners_mat_mm, roll, axis=0)
    turn, shift = _rigid_fit(expected[order], measured)
    placed = expected[order] @ turn.T + shift
    offsets = _offsets(placed, measured)
    worst = float(np.max(np.hypot(*(placed - measured).T)))
    misfit = math.sqrt(float(np.mean(offsets**2)) + (worst / 10.0) ** 2)
    misfit += _seam_misfit(unit.seams, seams @ turn.T + shift)
    return Fit(shape, roll, mirrored, placed, offsets, misfit, worst)


def _rigid_fit(expected: Floats, measured: Floats) -> tuple[Floats, Floats]:
    """Turn (2, 2) and shift (2,) that least-squares the side midpoints' offsets.

    The midpoints alone hardly see a rectangle turn: where they say nothing, whole sides decide (two points each, of
    Gauss-Legendre's quadrature: exact for the square of a straight line's distance).
    """
    halves = sides_of(measured) / 2.0
    middles = measured + halves
    inner = halves / math.sqrt(3.0)
    motion = _centred(expected, measured)
    motion = _stepped(motion, expected, np.concatenate([middles - inner, middles + inner]), 0.0)
    angle, shift = _stepped(motion, expected, middles, BLIND)
    return _turn(angle), shift


def _centred(expected: Floats, measured: Floats) -> tuple[float, Floats]:
    """Angle and shift that lay corners on corners best (least squares)."""
    centre_e, centre_m = expected.mean(axis=0), measured.mean(axis=0)
    e, m = expected - centre_e, measured - centre_m
    angle = math.atan2(float(np.sum(e[:, 0] * m[:, 1] - e[:, 1] * m[:, 0])), float(np.sum(e * m)))
    return angle, centre_m - _turn(angle) @ centre_e


def _stepped(motion: tuple[float, Floats], expected: Floats, points: Floats, blind: float) -> tuple[float, Floats]:
    """Gauss-Newton on the distances of points (k N, 2) from the sides that they belong to, in turn.

    Motions to which the points are blind, by this share of what they see best, are left as they are.
    """
    angle, shift = motion
    centre, times = points.mean(axis=0), len(points) // len(expected)
    size = float(np.sqrt(np.mean(np.sum((points - centre) ** 2, axis=1))))
    for _ in range(5):
        placed = expected @ _turn(angle).T + shift
        normals = np.tile(outward_normals(placed), (times, 1))
        offsets = np.sum((points - np.tile(placed, (times, 1))) * normals, axis=1)
        arm = points - centre
        lever = (normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]) / size
        change = np.linalg.lstsq(np.column_stack([normals, lever]), offsets, rcond=blind or None)[0]
        turn = float(change[2]) / size
        shift = centre + _turn(turn) @ (shift - centre) + change[:2]
        angle += turn
    return angle, shift


def _turn(angle: float) -> Floats:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _offsets(placed: Floats, measured: Floats) -> Floats:
    """(N,) of the measured side midpoints from the placed shape's sides, positive outward; both counter-clockwise."""
    middles = (measured + np.roll(measured, -1, axis=0)) / 2.0
    return np.asarray(np.sum((middles - placed) * outward_normals(placed), axis=1))


def _seam_misfit(found: Sequence[Seam], expected: Floats) -> float:
    """How badly the seams agree, in mm, limited: it decides between turns of a shape that its sides cannot tell."""
    if not len(expected) or not found:
        return 0.0
    nearest = [
        min(
            max(float(np.hypot(*(seam.ends_mat_mm[i] - want[k]))) for i, k in pairs)
            for seam in found
            for pairs in (((0, 0), (1, 1)), ((0, 1), (1, 0)))
        )
        for want in expected
    ]
    return min(max(nearest), 20.0) / 20.0


def _renumbered(unit: MeasuredUnit, roll: int) -> MeasuredUnit:
    """The same unit, its corners numbered as the expected shape's."""
    n = len(unit.corners_mat_mm)
    widths = []
    for width in unit.widths:
        i, j = sorted((side + roll) % n for side in width.sides)
        widths.append(replace(width, sides=(i, j)))
    return MeasuredUnit(
        np.roll(unit.corners_mat_mm, roll, axis=0),
        np.roll(unit.corners_u_mm, roll),
        np.roll(unit.offsets_u_mm, roll),
        np.roll(unit.tilts_u_rad, roll),
        np.roll(unit.bows_mm, roll),
        tuple(widths),
        unit.seams,
        unit.trouble,
    )


@dataclass(frozen=True, slots=True)
class _Figure:
    """One number against its limits: how far it is off, how far it may be, how sure it is."""

    what: str
    off: float
    limit: float
    u: float
    is_angle: bool = False

    @property
    def fit_probability(self) -> float:
        """That the true value lies inside the limits (normal distribution; JCGM 106:2012, clause 7)."""
        return _phi((self.limit - self.off) / self.u) - _phi((-self.limit - self.off) / self.u)

    @property
    def under(self) -> bool:
        return self.off < -self.limit - GUARD * self.u

    @property
    def over(self) -> bool:
        return self.off > self.limit + GUARD * self.u

    @property
    def near(self) -> bool:
        return abs(self.off) > self.limit - GUARD * self.u


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _figures(unit: MeasuredUnit, fit: Fit) -> list[_Figure]:
    """Widths, offsets and angles of a unit numbered like the shape that it is laid on."""
    tolerance = fit.shape.tolerance
    names = fit.shape.side_names or tuple(f"side {i}" for i in range(len(unit.corners_mat_mm)))
    least_u = 1e-6
    figures = [
        _Figure(
            f"{names[w.sides[0]]} to {names[w.sides[1]]}",
            w.mean_mm - side_distances(fit.shape.corners_mm, *w.sides)[0],
            tolerance.width_mm,
            max(w.u_mm, least_u),
        )
        for w in unit.widths
    ]
    figures += [
        _Figure(names[i], float(off), tolerance.width_mm, max(float(u), least_u))
        for i, (off, u) in enumerate(zip(fit.offsets_mm, unit.offsets_u_mm, strict=True))
    ]
    expected = interior_angles(fit.shape.corners_mm)
    figures += [
        _Figure(f"corner {i}", float(got - want), tolerance.angle_rad, max(float(u), least_u), True)
        for i, (got, want, u) in enumerate(zip(unit.angles_rad, expected, unit.angles_u_rad, strict=True))
    ]
    return figures


def _verdict(figures: Sequence[_Figure], unit: MeasuredUnit, fit: Fit) -> tuple[Verdict, str]:
    lengths = [figure for figure in figures if not figure.is_angle]
    angles = [figure for figure in figures if figure.is_angle and (figure.under or figure.over)]
    short = [figure for figure in lengths if figure.under]
    if short:
        return Verdict.SHORT, _say(min(short, key=lambda figure: figure.off))
    if angles and not _covers(unit, fit):
        return Verdict.SHORT, _say(max(angles, key=lambda figure: abs(figure.off)))
    over = [figure for figure in lengths if figure.over]
    if over:
        return Verdict.TRIM, _say(max(over, key=lambda figure: figure.off))
    if angles:
        return Verdict.TRIM, _say(max(angles, key=lambda figure: abs(figure.off)))
    near = [figure for figure in figures if figure.near]
    if near:
        return Verdict.CLOSE, _say(min(near, key=lambda figure: figure.fit_probability))
    return Verdict.FITS, ""


def _say(figure: _Figure) -> str:
    if figure.is_angle:
        return f"{figure.what}: {abs(math.degrees(figure.off)):.2f} deg too {'wide' if figure.off > 0 else 'narrow'}"
    return f"{figure.what}: {abs(figure.off):.2f} mm too {'wide' if figure.off > 0 else 'narrow'}"


def _covers(unit: MeasuredUnit, fit: Fit) -> bool:
    """Whether the expected shape, less its tolerance, still fits inside the measured outline as it is laid."""
    return bool(np.min(depths(fit.corners_mat_mm, unit.corners_mat_mm)) > -fit.shape.tolerance.width_mm)
