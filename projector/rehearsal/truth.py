"""The ledger of what really happened, in the true mat frame. It is opened when the world has ended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import Optics
from projector.rehearsal.things.cloth import Piece
from projector.rehearsal.things.sheet import SheetPose

Floats = NDArray[np.float64]

PARALLEL_RAD = np.radians(5.0)
FAR_OFF_MM = 10.0  # a light farther from a line is not meant for it


@dataclass(frozen=True, slots=True)
class CutDemand:
    """What a plan wants of one cut. A `true_up` uses the angle, the lean and the margin, a `unit` or `strip` all but
    the margin; a `true_again`, of yardage's end that was cut before, the later margin."""

    name: str  # of the unit
    source: str  # strip that it is cut from
    cut_width_mm: float
    angle_rad: float  # to the strip's length
    lean: str  # "left" or "right": where the upper ends of the cuts lie
    margin_mm: float = 3.0
    make: int = 1
    later_margin_mm: float = 1.0


@dataclass(frozen=True, slots=True)
class TrueWidth:
    """Distance of two sides within 5 degrees of parallel, from each side's middle and ends to the other's
    line."""

    sides: tuple[int, int]
    mean_mm: float
    least_mm: float
    greatest_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class TrueCut:
    """One cut: the light, what the cloth demanded, and where the blade went. Lines run from lower to upper
    edge."""

    t_s: float
    source: str
    unit: str
    purpose: str  # "true_up", "unit", "strip" or "true_again"
    light_mat_mm: Floats  # (2, 2): where the light crosses the cloth's long edges
    demanded_mat_mm: Floats  # (2, 2): where the demanded line crosses them
    made_mat_mm: Floats  # (2, 2)
    slipped: bool
    shift_mm: float = 0.0  # by which the person wanted the light away from the end, for their blade

    @property
    def light_errors_mm(self) -> Floats:
        """(2,): from the demanded line, moved as the person wanted it, to the light, at both ends, positive away
        from the end (towards the cloth)."""
        return _off(self.light_mat_mm, self.demanded_mat_mm) - self.shift_mm

    @property
    def made_errors_mm(self) -> Floats:
        """(2,): from the light to the cut, at both ends, positive likewise."""
        return _off(self.made_mat_mm, self.light_mat_mm)


@dataclass(frozen=True, eq=False, slots=True)
class TrueUnit:
    """One unit as it was cut, in a frame of its own; side 0 is on the strip's lower edge."""

    t_s: float
    name: str
    number: int  # from 1, over all units
    corners_mm: Floats  # (N, 2) counter-clockwise
    sides: tuple[str, ...]
    seams_mm: Floats  # (S, 2, 2)
    laid_mat_mm: Floats  # (N, 2): the same corners where it was put down

    @property
    def widths(self) -> tuple[TrueWidth, ...]:
        return widths_of(self.corners_mm)


@dataclass(frozen=True, eq=False, slots=True)
class TrueStrip:
    """One strip cut from yardage, in a frame of its own; side 0 is on the fold."""

    t_s: float
    fabric: str
    name: str  # of the strip or strip set that it is for
    number: int  # from 1, over all strips
    corners_mm: Floats  # (N, 2) counter-clockwise
    sides: tuple[str, ...]
    laid_mat_mm: Floats  # (N, 2): the same corners where it was put down
    folded: bool

    @property
    def width(self) -> TrueWidth:
        """Between its two cuts."""
        ends = {self.sides.index("end"), self.sides.index("cut")}
        return next(width for width in widths_of(self.corners_mm) if set(width.sides) == ends)

    @property
    def bend_rad(self) -> float:
        """How far it bends at the fold, opened: twice the mean turn of its two cuts from square to the fold."""
        return float(self._off_square("end") + self._off_square("cut"))

    def _off_square(self, name: str) -> float:
        i, n = self.sides.index(name), len(self.sides)
        run = self.corners_mm[(i + 1) % n] - self.corners_mm[i]
        fold = self.corners_mm[1] - self.corners_mm[0]
        return float(np.arctan(-(run @ fold) / (fold[0] * run[1] - fold[1] * run[0])))


@dataclass(frozen=True, eq=False, slots=True)
class TrueTrim:
    """One trim of a sewn unit: the light, the line that its own seams asked for, and where the blade went."""

    t_s: float
    unit: str
    light_mat_mm: Floats  # (2, 2)
    demanded_mat_mm: Floats  # (2, 2); not a number where the seams leave it free
    made_mat_mm: Floats  # (2, 2)
    slipped: bool

    @property
    def light_errors_mm(self) -> Floats:
        """(2,): how far both ends of the light lie off the demanded line."""
        return _off(self.light_mat_mm, self.demanded_mat_mm)


@dataclass(frozen=True, eq=False, slots=True)
class TrueSewn:
    """One sewn unit, or a block, as it was when it was taken away, in a frame of its own."""

    t_s: float
    name: str
    corners_mm: Floats  # (N, 2) counter-clockwise
    seams_mm: Floats  # (S, 2, 2)
    laid_mat_mm: Floats  # (N, 2)
    is_block: bool


@dataclass(frozen=True, eq=False, slots=True)
class TrueSheet:
    """One placing of the printed sheet."""

    t_s: float
    what: str  # "sheet_flat" or "sheet_tilted"
    pose: SheetPose


@dataclass(frozen=True, eq=False, slots=True)
class Placing:
    """Where the devices were from a time on, in the mat's frame wherever the mat was pushed."""

    since_s: float  # minus infinity: from the beginning
    camera: Optics
    projector: Optics


@dataclass(frozen=True, eq=False, slots=True)
class Truth:
    """All that a summary may compare with. Devices are as they were in the end."""

    camera: Optics
    projector: Optics
    cuts: tuple[TrueCut, ...]
    units: tuple[TrueUnit, ...]
    sheets: tuple[TrueSheet, ...]
    placings: tuple[Placing, ...] = ()  # one after every bump
    strips: tuple[TrueStrip, ...] = ()
    trims: tuple[TrueTrim, ...] = ()
    sewn: tuple[TrueSewn, ...] = ()
    mishaps: tuple[tuple[float, str], ...] = ()  # when, and what went wrong beside the cuts
    blade_mm: float = 0.0  # how far the person's blade runs beside the ruler

    @property
    def line_error_rms_mm(self) -> float | None:
        """Of the light from what the cloth demanded, over both ends of all cuts; None without a cut."""
        if not self.cuts:
            return None
        return float(np.sqrt(np.mean([c.light_errors_mm**2 for c in self.cuts])))


def widths_of(corners_mm: Floats) -> tuple[TrueWidth, ...]:
    """Widths of an outline (N, 2) between sides within 5 degrees of parallel."""
    n = len(corners_mm)
    sides = [np.array([corners_mm[i], corners_mm[(i + 1) % n]]) for i in range(n)]
    found = []
    for i in range(n):
        for j in range(i + 1, n):
            a, b = sides[i][1] - sides[i][0], sides[j][0] - sides[j][1]
            turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)
            if abs(turn) > PARALLEL_RAD:
                continue
            middles = [_off(s.mean(axis=0)[None], o)[0] for s, o in ((sides[j], sides[i]), (sides[i], sides[j]))]
            ends = np.concatenate([_off(sides[j], sides[i]), _off(sides[i], sides[j])])
            found.append(TrueWidth((i, j), float(np.mean(middles)), float(ends.min()), float(ends.max())))
    return tuple(found)


def demanded_line(piece: Piece, demand: CutDemand, purpose: str) -> Floats:
    """The line (2, 2) that the true cloth asks for, from its lower to its upper edge, in the mat frame.

    A unit's runs at the angle to the true seam (the lower edge if there is none), at the cut width from the
    middle of the true end; a truing cut's at that angle through the innermost point of the raw end, the
    margin further in. A strip's runs along the true end.
    """
    end, lower = piece.side_mat_mm("end"), piece.side_mat_mm("lower")
    if end is None or lower is None:
        raise ValueError(f"{piece.source} has no end or no lower edge left to cut from")
    axis = piece.seams_mat_mm[0] if len(piece.seams_mat_mm) else lower
    along = (axis[1] - axis[0]) / np.hypot(*(axis[1] - axis[0]))
    turn = demand.angle_rad if demand.lean == "right" else np.pi - demand.angle_rad
    c, s = np.cos(turn), np.sin(turn)
    rise = np.array([c * along[0] - s * along[1], s * along[0] + c * along[1]])
    if purpose == "strip":
        rise = (end[1] - end[0]) / np.hypot(*(end[1] - end[0]))
    inward = np.array([-rise[1], rise[0]])
    if purpose in ("true_up", "true_again"):
        margin_mm = demand.margin_mm if purpose == "true_up" else demand.later_margin_mm
        through = end[np.argmax(end @ inward)] + margin_mm * inward
    else:
        through = end.mean(axis=0) + demand.cut_width_mm * inward
    return across(piece, np.array([through, through + rise]))


def nearest_line(lines: Floats, light: Floats) -> Floats:
    """Of lines (K, 2, 2) the one that a light (2, 2) is meant for: it runs alike, and lies nearest.

    Not a number where none does: then nothing was demanded.
    """
    run = (light[1] - light[0]) / np.hypot(*(light[1] - light[0]))
    found = []
    for line in lines[np.all(np.isfinite(lines), axis=(1, 2))]:
        along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
        off = float(np.abs(_off(light, line)).max())
        if abs(run[0] * along[1] - run[1] * along[0]) < np.sin(PARALLEL_RAD) and off < FAR_OFF_MM:
            found.append((off, line))
    return min(found, key=lambda one: one[0])[1] if found else np.full((2, 2), np.nan)


def across(piece: Piece, line_mat_mm: Floats) -> Floats:
    """Where a line (2, 2) crosses a strip's lower and upper edge, prolonged if need be: (2, 2)."""
    found = []
    for name in ("lower", "upper"):
        edge = piece.side_mat_mm(name)
        if edge is None:
            raise ValueError(f"{piece.source} has no {name} edge left")
        off = _off(line_mat_mm, edge)
        found.append(line_mat_mm[0] + off[0] / (off[0] - off[1]) * (line_mat_mm[1] - line_mat_mm[0]))
    return np.array(found)


def _off(points: Floats, line: Floats) -> Floats:
    """Signed distances (N,) of points (N, 2) from a line (2, 2), positive to its left."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    d = points - line[0]
    return np.asarray(along[0] * d[:, 1] - along[1] * d[:, 0])
