"""Find the seams inside a unit: straight lines at which one fabric ends and another begins.

What the search sees (`seams.search`) is fitted like an edge, with both fabrics' levels unknown (`edge.seam_fit`), and
kept if the step is really there along the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vision.edge.model.unevenness import differences, is_figured
from vision.edge.picture import Picture
from vision.edge.pixels.windows import BIN_PX, Axes, Window, sample
from vision.edge.seam_fit import EVEN, Blurs, SeamLine, SeamSolver
from vision.outlines.unitdoubt import PRINT_FLOOR
from vision.polygons import chord
from vision.seams.meeting import FAR_PX, SURE_PX, Meeting, sharpest
from vision.seams.palettes import LITTLE, are_two_fabrics, in_common, is_a_prints_own, parting_line
from vision.seams.search import Cells, best_line, inner_cells
from vision.seams.stripes import is_stripe, without_stripes
from vision.units import Seam

Floats = NDArray[np.float64]

RIM_MM = 3.0  # this close to the outline nothing is asked
EDGE_PX = 3.0  # and this close blur shows the mat
LEAST_GAIN = 0.10  # nats a pixel by which two fabrics must explain better than one
NEXT_GAIN = 0.30  # the same for a part that a seam has made already: a print's own figures must not do
LEAST_STEP = 4.0  # the mean step across the line, in standard errors over its bins, were there many
PRINTS_GAIN = 0.5  # where two prints are as light as each other, or few bins tell a step: they gain so much at least
MOSTLY = 0.5  # of the places along a line differ; or what varies there varies together
ALL_ROUND_RAD = np.arange(90) * math.pi / 90
FEWEST_IN_PART = 200
MOST_SEAMS = 8
LEAST_LEFT = 0.04  # of the part that is searched, on either side of a seam: another line is its rim
# px to both sides of the line, steps of the fit, whether a fold is asked about
REACHES = ((9.0, 6, False), (7.0, 8, True))
FOLD_MM = 2.0  # to both sides at least, where a fold is asked about: it, and as much cloth beyond
BINS, LEAST_BIN_PX = 6, 2.5  # so many along a seam tell how its step spreads; shorter ones see the same
# Times the noise: such cloth may be printed, and changes along the seam; where it has the other's colour it tells none.
RESTLESS, PRINTED_BIN_PX = 3.0, 6.0
# Beside prints: fitted within the first with so many steps, the print looked at within the last.
NEAR_PX, NEAR_STEPS, WIDE_PX, ROUNDS = 5.0, 8, 9.0, 2
MOST_OFF_PX = 9.0  # from where the search saw it
FEWEST = 60  # pixels that make a seam
MODEL_FLOOR_PX = 0.05  # a fold is no knife edge
HEIGHT_U_MM = 0.1  # of the seam above or below the cloth's top: it may lie in a groove or ride on its allowance


def find_seams(
    picture: Picture, corners_mat_mm: Floats, blurs: Blurs, turns_rad: Floats = ALL_ROUND_RAD
) -> tuple[Seam, ...]:
    """Seams inside the convex outline (N, 2) counter-clockwise, strongest first.

    `turns_rad` (K,) are the directions across a seam that are tried, from the mat's x axis, in order.
    """
    cells = inner_cells(picture.scene, picture.camera, picture.height_mm, corners_mat_mm, RIM_MM)
    if cells is None:
        return ()
    found: list[Seam] = []
    told = _split(_Look.at(picture, corners_mat_mm, blurs), turns_rad, cells, found)
    kept = without_stripes(found)
    if len(kept) == 1 and not told and is_a_prints_own(cells, kept[0].ends_mat_mm):
        return ()  # of several seams one may well have the same fabric somewhere on both sides
    return kept


def fit_seam(picture: Picture, outline: Floats, line_mat_mm: Floats, blurs: Blurs) -> Seam | None:
    """Fit a seam near the line through two points (2, 2); None where no step runs all along it."""
    look = _Look.at(picture, outline, blurs)
    seam = look.fit(line_mat_mm)
    return None if seam is None else look.beside_prints(seam)


@dataclass(frozen=True, eq=False, slots=True)
class _Look:
    """Where seams are fitted."""

    picture: Picture  # beside a seam lies the piece itself: other cloth is far from its inside
    outline: Floats
    blurs: Blurs

    @staticmethod
    def at(picture: Picture, outline: Floats, blurs: Blurs) -> _Look:
        return _Look(replace(picture, neighbours=None), outline, blurs)

    def fit(self, line_mat_mm: Floats) -> Seam | None:
        """The seam near a line, or None where no step of lightness or colour runs all along it."""
        seam: Seam | None = None
        bin_px = BIN_PX
        for reach_px, steps, folded in REACHES:
            ends = chord(self.outline, line_mat_mm)
            axes = None if ends is None else self._axes(ends)
            line = None if axes is None else self._fitted(axes, reach_px, steps, folded, bin_px)
            if axes is None or line is None or abs(line.offset_px) > MOST_OFF_PX or line.step < LEAST_STEP:
                return None
            bin_px = PRINTED_BIN_PX if line.unrest > RESTLESS else BIN_PX
            seam = self._placed(axes, line)
            line_mat_mm = line_mat_mm if seam is None else seam.ends_mat_mm
        return seam

    def beside_prints(self, seam: Seam, cells: Cells | None = None) -> Seam:
        """The seam again, where a print's places differ beside it: the farther from it, the less they count.

        It is looked for where the colours of `cells` part, and figures end; without them near where it was.
        """
        about = self._about(seam.ends_mat_mm, WIDE_PX)
        if about is None or not is_figured(about[1].across_px, about[1].seen, np.array(self.picture.noise.sd)):
            return seam
        met = None if cells is None else self.meeting(cells, seam.ends_mat_mm)
        return self.between_prints(seam.ends_mat_mm if met is None else met[0]) or seam

    def meeting(self, cells: Cells, line_mat_mm: Floats) -> tuple[Floats, Meeting] | None:
        """The line near another, (2, 2), by which colours part and at which figures end, and how both sides meet."""
        about = self._about(chord(self.outline, parting_line(cells, line_mat_mm)), FAR_PX + WIDE_PX)
        if about is None:
            return None
        axes, window = about
        met = sharpest(window, self.blurs.luma_px, self.picture.noise, cells.width_mm * float(axes.scale[0]))
        line = self._line_mat_mm(axes, met.offset_px, met.turn)
        return line, met

    def between_prints(self, line_mat_mm: Floats) -> Seam | None:
        """The seam fitted about a line (2, 2) at which figures end, and once more about where it was found.

        How a print's places differ is read beside the line: it should be the seam.
        """
        seam: Seam | None = None
        for _ in range(ROUNDS):
            about = self._about(chord(self.outline, line_mat_mm), WIDE_PX)
            if about is None:
                return seam
            axes, wide = about
            near = wide.kept(np.abs(wide.across_px) < NEAR_PX, _bins_px(wide, PRINTED_BIN_PX))
            uneven = differences(wide.across_px, wide.along_px, wide.seen, np.array(self.picture.noise.sd))
            line = self._solver(near, axes, uneven, SURE_PX).solve(NEAR_STEPS, 0.0)
            floor_px = math.hypot(MODEL_FLOOR_PX, PRINT_FLOOR * self.blurs.luma_px)
            found = None if line is None else self._placed(axes, line, floor_px)
            if found is None:
                return seam
            seam, line_mat_mm = found, found.ends_mat_mm
        return seam

    def _line_mat_mm(self, axes: Axes, offset_px: float, turn: float) -> Floats:
        """Two points (2, 2) of the line beside `axes`, in their direction."""
        scale, outward = float(axes.scale[0]), axes.outward[0]
        middle = axes.middles_mat_mm[0] + outward * offset_px / scale
        along = axes.along[0] + outward * turn * float(axes.along_px_per_mm[0]) / scale
        return np.array([middle, middle + along])

    def _placed(self, axes: Axes, line: SeamLine, floor_px: float = MODEL_FLOOR_PX) -> Seam | None:
        """Where a line beside `axes` meets the outline."""
        points = self._line_mat_mm(axes, line.offset_px, line.turn)
        met = chord(self.outline, points)
        if met is None:
            return None
        arm_px = float(np.hypot(*(met[1] - met[0])) * axes.along_px_per_mm[0]) / math.sqrt(12.0)
        return Seam(met, self._u_mm(line, arm_px, floor_px, points[0], axes.outward[0], float(axes.scale[0])))

    def _axes(self, ends: Floats) -> Axes | None:
        """Axes along a line; None where it is too short to be a seam."""
        length = np.hypot(*(ends[1] - ends[0]))
        if length < 4.0 * RIM_MM:
            return None
        middles, along = ends.mean(axis=0)[None], (ends[1] - ends[0])[None] / length
        return Axes.at(self.picture.camera, self.picture.height_mm, middles, along, np.array([length]))

    def _fitted(self, axes: Axes, reach_px: float, steps: int, folded: bool, bin_px: float) -> SeamLine | None:
        window = self._window(axes, max(reach_px, FOLD_MM * float(axes.scale[0])) if folded else reach_px)
        if len(window.side) < FEWEST:
            return None
        window = window.kept(np.ones(len(window.side), np.bool_), _bins_px(window, bin_px))
        return self._solver(window, axes).solve(steps, LEAST_STEP, folded)

    def _window(self, axes: Axes, reach_px: float) -> Window:
        """The pixels about a line that lie within the outline: where a seam meets a side askew, mat lies beside it."""
        trims_px = np.full((1, 2), RIM_MM * float(axes.scale[0]))
        window = sample(self.picture, axes, reach_px, reach_px, trims_px, np.zeros(1, np.int64))
        away = self.outline - axes.middles_mat_mm[0]
        outward, along = away @ axes.outward[0] * axes.scale[0], away @ axes.along[0] * axes.along_px_per_mm[0]
        cloth = shapely.Polygon(np.column_stack([outward, along])).buffer(-EDGE_PX)
        return window.kept(shapely.contains_xy(cloth, window.across_px, window.along_px))

    def _about(self, ends_mat_mm: Floats | None, reach_px: float) -> tuple[Axes, Window] | None:
        """Axes along a line between two points (2, 2), and the pixels about it; None where they are too few."""
        axes = None if ends_mat_mm is None else self._axes(ends_mat_mm)
        if axes is None:
            return None
        window = self._window(axes, reach_px)
        return None if len(window.side) < FEWEST else (axes, window)

    def _solver(self, window: Window, axes: Axes, uneven: Floats = EVEN, known_px: float = math.inf) -> SeamSolver:
        noise, encoder = self.picture.noise, self.picture.encoder
        return SeamSolver(window, self.blurs, noise, encoder, float(axes.scale[0]), uneven, known_px)

    def _u_mm(
        self, line: SeamLine, arm_px: float, floor_px: float, middle: Floats, outward: Floats, scale: float
    ) -> float:
        """Of a seam's middle, and of its direction, at `arm_px` from the middle, where that is the less sure."""
        lens = self.picture.camera.lens_mat_mm
        seen_off = float((lens[:2] - middle) @ outward) / float(lens[2]) * HEIGHT_U_MM
        own_px = math.sqrt(max(float(line.covariance[0, 0]), float(line.covariance[1, 1]) * arm_px**2))
        return math.hypot(own_px / scale, floor_px / scale, seen_off)


def _bins_px(window: Window, most_px: float) -> float:
    return min(most_px, max(float(np.ptp(window.along_px)) / BINS, LEAST_BIN_PX))


def _split(look: _Look, turns_rad: Floats, cells: Cells, found: list[Seam]) -> bool:
    """Find a seam in this part, then in what lies on either side of it; whether its colours had to tell the first."""
    best = best_line(cells, NEXT_GAIN if found else LEAST_GAIN, turns_rad)
    if best is None or len(found) >= MOST_SEAMS:
        return False
    start, gain = best
    seam = look.fit(start)
    told = seam is None and not found
    if told:
        line = _line_of_two_prints(look, cells, start, gain)
        seam = None if line is None else look.between_prints(line)
    if seam is None:
        return False
    along = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
    normal = np.array([along[1], -along[0]]) / np.hypot(*along)
    side = (cells.places_mat_mm - seam.ends_mat_mm[0]) @ normal
    if min(np.mean(side > 0.0), np.mean(side < 0.0)) < LEAST_LEFT or is_stripe(cells, seam.ends_mat_mm):
        return False
    found.append(look.beside_prints(seam, cells))
    for keep in (side > RIM_MM, side < -RIM_MM):
        part = cells.where(keep)
        if part.pixels > FEWEST_IN_PART:
            _split(look, turns_rad, part, found)
    return told


def _line_of_two_prints(look: _Look, cells: Cells, start: Floats, gain: float) -> Floats | None:
    """The line (2, 2) at which two prints part near that which the search saw, if their colours tell, or how they meet.

    Figures as large as patches make these unlike on either side; then both sides must have hardly a colour in common,
    differ at most places along the line, and not vary together there.
    """
    two = are_two_fabrics(cells, start)
    if two is None or not (two or gain > PRINTS_GAIN):
        return None
    met = look.meeting(cells, start)
    if met is None:
        return None
    line, how = met
    if two:
        return line if gain > PRINTS_GAIN or how.differ > MOSTLY else None
    apart = how.differ >= MOSTLY and abs(how.together) <= MOSTLY
    return line if apart and in_common(cells, line) < LITTLE else None
