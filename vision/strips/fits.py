"""Fit the lines of a strip in pieces: long sides and ends against the mat, seams between its fabrics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common
from vision.edge.misfit import USUAL_PX
from vision.edge.picture import Picture
from vision.edge.seam_fit import Blurs
from vision.edge.sidefits import SideFit
from vision.edge.sides import NARROW, WIDE, Reach, SideStart, fit_sides
from vision.outlines.unitdoubt import COLOUR_FLOOR_PX, PRINT_FLOOR, TILT_SHARE
from vision.pieced import Piece, PiecedLine, straight_line
from vision.polygons import line_meeting
from vision.seams.inside import find_seams, fit_seam

Floats = NDArray[np.float64]

PIECE_PX = 170.0  # of a long side: long enough to be sure of its place, short enough to be straight in even light
UNTRIMMED = (0.0, 0.0)
CORNER_PX = 16.0  # of a long side left out at its ends, where the end's own edge is in the window
STEP_PX = 9.0  # the same at the step from one strip's end to the next
MOST_MOVED_MM = 5.0  # by a fit, from where the rim says it is: another edge was taken
LEAST_SHARE = 0.5  # of a side's pieces must be fitted
SEAM_GAP_MM = 8.0  # beside a seam its allowance lifts the cloth, and the end's line with it
SKY = 0.5  # share of the light that comes from a wide sky: between none (a lamp straight above) and all
SEAM_LOOKS = 3  # stretches of the strip in which seams are looked for
SEAM_VOTES = 2  # of them that must show a seam
SAME_SEAM_MM = 4.0
BESIDE_MM = 3.0  # so far from a seam a fabric has its own light
PARALLEL = math.tan(math.radians(5.0))
ABOUT_ACROSS_RAD = np.radians(np.arange(-4.0, 5.0, 2.0))


@dataclass(frozen=True, eq=False, slots=True)
class Fitting:
    """The picture that the lines of a strip are fitted in, and the strip's number among the picture's cloths."""

    picture: Picture
    cloth: int

    def edges(
        self, starts: Sequence[SideStart], reaches: tuple[Reach, ...], prior: Common | None = None
    ) -> tuple[list[SideFit | None], Common]:
        """Straight pieces of the cloth's rim, all at once, and what they have in common; None for one not found."""
        fitted = fit_sides(self.picture, starts, reaches, prior)
        kept = [
            fit if fit is not None and _stayed(fit, start.ends_mat_mm) else None
            for fit, start in zip(fitted.fits, starts, strict=True)
        ]
        return kept, fitted.common

    def start(self, ends_mat_mm: Floats, trims_px: tuple[float, float] = UNTRIMMED) -> SideStart:
        """Of this strip's rim: from end to end (2, 2), the cloth on its left."""
        return SideStart(ends_mat_mm, trims_px, self.cloth)

    def levels(self, places_mat_mm: Floats) -> Floats:
        """(3,): the median light of the cloth at places (N, 2)."""
        x, y = np.rint(self.px(places_mat_mm)).astype(np.int64).T
        height, width = self.picture.scene.shape
        seen = self.picture.scene.levels[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
        return np.asarray(np.median(seen, axis=0), np.float64)

    def length_px(self, ends_mat_mm: Floats) -> float:
        return float(np.hypot(*np.diff(self.px(ends_mat_mm), axis=0)[0]))

    def px(self, places_mat_mm: Floats) -> Floats:
        """(N, 2): where places (N, 2) of the cloth's top are in the picture."""
        return self.picture.camera.px_from_mat(places_mat_mm, self.picture.height_mm)


def _stayed(fit: SideFit, ends_mat_mm: Floats) -> bool:
    if not np.all(np.isfinite(fit.middle_mat_mm)):
        return False
    outward = np.array([fit.along[1], -fit.along[0]])
    moved = abs(float((ends_mat_mm.mean(axis=0) - fit.middle_mat_mm) @ outward))
    return moved < MOST_MOVED_MM and bool(fit.along @ (ends_mat_mm[1] - ends_mat_mm[0]) > 0)


def long_sides(
    fitting: Fitting, sides_mat_mm: Sequence[Floats], bends_mm: Sequence[float]
) -> tuple[list[list[SideFit]], Common] | None:
    """The pieces of the long sides, from rough lines (2, 2) with their bends outward, and what is common to them.

    None where most of a side is not to be seen.
    """
    knots = [_knots(fitting, side, bend) for side, bend in zip(sides_mat_mm, bends_mm, strict=True)]
    counts = [len(own) - 1 for own in knots]
    if min(counts) < 1:
        return None
    starts = [fitting.start(own[i : i + 2]) for own in knots for i in range(len(own) - 1)]
    fits, common = fitting.edges(starts, (WIDE, NARROW))
    firsts = [sum(counts[:k]) for k in range(len(counts))]
    sides = [
        [fit for fit in fits[first : first + count] if fit is not None]
        for first, count in zip(firsts, counts, strict=True)
    ]
    seen = all(len(side) >= LEAST_SHARE * count for side, count in zip(sides, counts, strict=True))
    return (sides, common) if seen else None


def _knots(fitting: Fitting, side_mat_mm: Floats, bend_mm: float) -> Floats:
    """(K, 2): where the pieces of a long side begin and end; none of a side too short to have any."""
    length_px = fitting.length_px(side_mat_mm)
    count, reach = max(1, round(length_px / PIECE_PX)), 1.0 - 2.0 * CORNER_PX / length_px
    shares = np.linspace(-reach, reach, count + 1) if reach >= LEAST_SHARE else np.empty(0)
    return _bent(side_mat_mm, bend_mm, shares)


def _bent(side_mat_mm: Floats, bend_mm: float, shares: Floats) -> Floats:
    """(N, 2): points of a bowed side, `shares` from -1 to 1 along it."""
    half = (side_mat_mm[1] - side_mat_mm[0]) / 2.0
    outward = np.array([half[1], -half[0]]) / np.hypot(*half)
    bent = bend_mm * (1.0 / 3.0 - shares**2)
    return np.asarray(side_mat_mm.mean(axis=0) + np.outer(shares, half) + np.outer(bent, outward))


def pieced(fits: Sequence[SideFit], common: Common) -> PiecedLine:
    """The straight line through fitted pieces; what is common to them moves all of it."""
    line = straight_line([_piece(fit) for fit in fits])
    follow = followed(fits)
    return replace(line, covariance=line.covariance + np.diag([follow @ common.covariance @ follow, 0.0]))


def followed(fits: Sequence[SideFit]) -> Floats:
    """(8 + Q or 12 + Q,): how a line through pieces moves outward, mm, with an error of what is common."""
    return np.asarray(np.average([fit.by_common[0] for fit in fits], axis=0, weights=[fit.length_mm for fit in fits]))


def floor_mm(fits: Sequence[SideFit]) -> float:
    """What the model does not know of a line through pieces: a floor, and colours."""
    colour = float(np.mean([fit.colour_share for fit in fits])) * COLOUR_FLOOR_PX
    return math.hypot(USUAL_PX, colour) / float(np.mean([fit.px_per_mm for fit in fits]))


def _piece(fit: SideFit) -> Piece:
    figures_mm = PRINT_FLOOR * fit.blur_px / fit.px_per_mm if fit.printed else 0.0
    offset_u_mm = math.hypot(math.sqrt(fit.own_covariance[0, 0]), figures_mm)
    turn_u_rad = math.hypot(math.sqrt(fit.own_covariance[1, 1]), math.sqrt(TILT_SHARE) * figures_mm / fit.length_mm)
    return Piece(fit.middle_mat_mm, fit.along, fit.length_mm, offset_u_mm, turn_u_rad)


def end_pieces(
    fitting: Fitting, part_mat_mm: Floats, trims_px: tuple[float, float], seams: Sequence[PiecedLine], common: Common
) -> tuple[list[SideFit], Common]:
    """One cut (2, 2) across the strip, fabric by fabric: what lies beside a seam is left out; none if not seen.

    `common` is what the long sides say of the picture's light; what the cut adds to it comes back.
    """
    (whole,), after = fitting.edges([fitting.start(part_mat_mm, trims_px)], (WIDE, NARROW), common)
    if whole is None:
        return [], common
    half = whole.along * whole.length_mm / 2.0
    line = np.array([whole.middle_mat_mm - half, whole.middle_mat_mm + half])
    starts = _between_seams(fitting, line, trims_px, seams)
    if len(starts) == 1:
        return [whole], after
    fits, after_pieces = fitting.edges(starts, (NARROW,), common)
    pieces = [fit for fit in fits if fit is not None]
    return (pieces, after_pieces) if pieces else ([whole], after)


def _between_seams(
    fitting: Fitting, line: Floats, trims_px: tuple[float, float], seams: Sequence[PiecedLine]
) -> list[SideStart]:
    length_mm = float(np.hypot(*(line[1] - line[0])))
    along, px_per_mm = (line[1] - line[0]) / length_mm, fitting.length_px(line) / length_mm
    meetings = [line_meeting(*line, *seam.points_mat_mm) for seam in seams]
    places = sorted(float((meeting - line[0]) @ along) for meeting in meetings if meeting is not None)
    knots = [0.0, *(place for place in places if SEAM_GAP_MM < place < length_mm - SEAM_GAP_MM), length_mm]
    starts = []
    for i, (low, high) in enumerate(pairwise(knots)):
        gaps = (
            trims_px[0] if i == 0 else SEAM_GAP_MM * px_per_mm,
            trims_px[1] if i == len(knots) - 2 else SEAM_GAP_MM * px_per_mm,
        )
        starts.append(fitting.start(line[0] + np.outer([low, high], along), gaps))
    return starts


def seam_lines(
    fitting: Fitting, sides: tuple[PiecedLine, PiecedLine], reach: Floats, blur_px: float
) -> list[PiecedLine]:
    """The seams along a strip, from its first side to its second.

    `reach` (2, 2) is the stretch, on its middle line in the first side's sense, in which both sides were seen.
    """
    band, picture = _Band(sides, reach), fitting.picture
    looks = np.linspace(0.0, 1.0, SEAM_LOOKS + 1)
    turns_rad = math.atan2(sides[0].along[1], sides[0].along[0]) + math.pi / 2.0 + ABOUT_ACROSS_RAD
    seen = list[tuple[int, float]]()  # which look, and how far across
    for k in range(SEAM_LOOKS):
        quad = band.quad(looks[k], looks[k + 1])
        for seam in find_seams(picture, quad, Blurs(blur_px), turns_rad):
            across = band.across_mm(seam.ends_mat_mm)
            if abs(across[1] - across[0]) < PARALLEL * float(np.hypot(*np.diff(seam.ends_mat_mm, axis=0)[0])):
                seen.append((k, float(across.mean())))
    found = [_fitted_seam(fitting, band, across_mm, blur_px) for across_mm in _agreed(seen)]
    return [seam for seam in found if seam is not None]


def _agreed(seen: Sequence[tuple[int, float]]) -> list[float]:
    """Places across (mm) that several looks agree on, in order."""
    groups = list[list[tuple[int, float]]]()
    for look, across_mm in sorted(seen, key=lambda one: one[1]):
        if groups and across_mm - groups[-1][-1][1] < SAME_SEAM_MM:
            groups[-1].append((look, across_mm))
        else:
            groups.append([(look, across_mm)])
    agreed = [group for group in groups if len({look for look, _ in group}) >= SEAM_VOTES]
    return [float(np.mean([across_mm for _, across_mm in group])) for group in agreed]


@dataclass(frozen=True, eq=False, slots=True)
class _Band:
    """The strip between its sides, over a stretch of its middle line."""

    sides: tuple[PiecedLine, PiecedLine]
    reach: Floats

    def places(self, share: float) -> Floats:
        """(2, 2): the points of both sides at a share of the stretch, bows and all."""
        along = (self.reach[1] - self.reach[0]) / np.hypot(*(self.reach[1] - self.reach[0]))
        foot = self.reach[0] + share * (self.reach[1] - self.reach[0])
        points = []
        for side in self.sides:
            s = float((foot - side.middle_mat_mm) @ along) / float(side.along @ along)
            outward = np.array([side.along[1], -side.along[0]])
            points.append(side.middle_mat_mm + s * side.along + outward * side.bent_mm(np.array([s]))[0])
        return np.array(points)

    def quad(self, low: float, high: float) -> Floats:
        """(4, 2) counter-clockwise."""
        a, b = self.places(low), self.places(high)
        return np.array([a[0], b[0], b[1], a[1]])

    def across_mm(self, points_mat_mm: Floats) -> Floats:
        """(N,) of points: how far they lie inside of the first side, its bow allowed for."""
        side = self.sides[0]
        away = points_mat_mm - side.middle_mat_mm
        return np.asarray(-(away @ [side.along[1], -side.along[0]]) + side.bent_mm(away @ side.along))

    def line(self, low: float, high: float, across_mm: float) -> Floats:
        """(2, 2): where something so far inside of the first side runs."""
        points = []
        for share in (low, high):
            foot, other = self.places(share)
            points.append(foot + (other - foot) * across_mm / float(np.hypot(*(other - foot))))
        return np.array(points)


def _fitted_seam(fitting: Fitting, band: _Band, across_mm: float, blur_px: float) -> PiecedLine | None:
    """The seam in pieces, from the middle outwards; a piece starts where its neighbour was found."""
    picture, count = fitting.picture, max(1, round(fitting.length_px(band.reach) / PIECE_PX))
    shares = np.linspace(0.0, 1.0, count + 1)
    pieces = dict[int, Piece]()
    for way in (range(count // 2, count), range(count // 2 - 1, -1, -1)):
        start_mm = across_mm
        for k in way:
            quad, line = band.quad(shares[k], shares[k + 1]), band.line(shares[k], shares[k + 1], start_mm)
            seam = fit_seam(picture, quad, line, Blurs(blur_px))
            if seam is None or abs(float(band.across_mm(seam.ends_mat_mm).mean()) - start_mm) > SAME_SEAM_MM:
                continue
            start_mm = float(band.across_mm(seam.ends_mat_mm).mean())
            pieces[k] = _seam_piece(seam.ends_mat_mm, seam.u_mm, band.reach[1] - band.reach[0])
    if len(pieces) < LEAST_SHARE * count:
        return None
    whole = straight_line([pieces[k] for k in sorted(pieces)])
    doubt = np.diag([_pressed_u_mm(fitting, whole) ** 2, 0.0])
    return replace(whole, covariance=whole.covariance + doubt)


def _pressed_u_mm(fitting: Fitting, seam: PiecedLine) -> float:
    """What the shadow at the foot of a pressed seam allowance may do to a seam's place, mm; less if its fabrics differ.

    Under an even sky a wall of height h takes the light of h / 2 of the cloth at its foot in all (`model.coverage`);
    with a part SKY of the light, anything up to that. In least squares of a step from a level F to G it looks like a
    shift by F / (G - F) of it. On which side the allowance lies is not known.
    """
    outward, shares = np.array([seam.along[1], -seam.along[0]]), np.linspace(-0.5, 0.5, 200)
    feet = seam.middle_mat_mm + np.outer(shares * seam.length_mm, seam.along)
    sides = [fitting.levels(feet + way * BESIDE_MM * outward) for way in (-1.0, 1.0)]
    step, weight = sides[1] - sides[0], 1.0 / np.maximum(fitting.picture.scene.noise, fitting.picture.scene.step) ** 2
    ratios = [abs(float(np.sum(weight * step * level) / np.sum(weight * step * step))) for level in sides]
    return fitting.picture.height_mm / 2.0 * SKY / math.sqrt(3.0) * max(ratios)


def _seam_piece(ends_mat_mm: Floats, u_mm: float, ahead: Floats) -> Piece:
    if float((ends_mat_mm[1] - ends_mat_mm[0]) @ ahead) < 0:
        ends_mat_mm = ends_mat_mm[::-1]
    length_mm = float(np.hypot(*(ends_mat_mm[1] - ends_mat_mm[0])))
    along = (ends_mat_mm[1] - ends_mat_mm[0]) / length_mm
    return Piece(ends_mat_mm.mean(axis=0), along, length_mm, u_mm, math.sqrt(12.0) * u_mm / length_mm)
