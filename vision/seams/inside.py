"""Find the seams inside a unit: straight lines at which one fabric ends and another begins.

What the search sees (`seams.search`) is fitted like an edge, with both fabrics' levels unknown (`edge.seam_fit`), and
kept if the step is really there along the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.edge.pixels.windows import Axes, sample
from vision.edge.seam_fit import Blurs, SeamLine, SeamSolver
from vision.edge.sides import Picture
from vision.polygons import chord
from vision.seams.search import Cells, best_line, inner_cells
from vision.units import Seam

Floats = NDArray[np.float64]

RIM_MM = 3.0  # this close to the outline nothing is asked
LEAST_GAIN = 0.10  # nats a pixel by which two fabrics must explain better than one
NEXT_GAIN = 0.30  # the same for a part that a seam has made already: a print's own figures must not do
LEAST_STEP = 5.0  # the step across the line, in standard errors over its bins
ALL_ROUND_RAD = np.arange(90) * math.pi / 90
FEWEST_IN_PART = 200
MOST_SEAMS = 8
# px to both sides of the line, steps of the fit, whether a fold is asked about
REACHES = ((9.0, 6, False), (5.0, 8, True))
MOST_OFF_PX = 9.0  # from where the search saw it
FEWEST = 60  # pixels that make a seam
MODEL_FLOOR_PX = 0.05  # a fold is no knife edge
# Two seams are never nearer than an allowance, 1/4 in, which lies beside each; and strips narrower than 1/2 in are not
# sewn side by side by the half dozen (common practice, no source).
NARROWEST_MM, NARROW_MM, MANY, PARALLEL_RAD = 6.0, 12.5, 4, math.radians(3.0)
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
    _split(_Look.at(picture, corners_mat_mm, blurs), turns_rad, cells, found)
    return _without_stripes(found)


def fit_seam(picture: Picture, outline: Floats, line_mat_mm: Floats, blurs: Blurs) -> Seam | None:
    """Fit a seam near the line through two points (2, 2); None where no step runs all along it."""
    return _Look.at(picture, outline, blurs).fit(line_mat_mm)


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
        """The seam near a line, or None."""
        seam: Seam | None = None
        for reach_px, steps, folded in REACHES:
            ends = chord(self.outline, line_mat_mm)
            axes = None if ends is None else self._axes(ends)
            line = None if axes is None else self._fitted(axes, reach_px, steps, folded)
            if axes is None or line is None or line.step < LEAST_STEP or abs(line.offset_px) > MOST_OFF_PX:
                return None
            scale, outward = float(axes.scale[0]), axes.outward[0]
            along = axes.along[0] + outward * line.turn * float(axes.along_px_per_mm[0]) / scale
            middle = axes.middles_mat_mm[0] + outward * line.offset_px / scale
            line_mat_mm = np.array([middle, middle + along])
            met = chord(self.outline, line_mat_mm)
            seam = None if met is None else Seam(met, self._u_mm(line, middle, outward, scale))
        return seam

    def _axes(self, ends: Floats) -> Axes | None:
        """Axes along a line; None where it is too short to be a seam."""
        length = np.hypot(*(ends[1] - ends[0]))
        if length < 4.0 * RIM_MM:
            return None
        middles, along = ends.mean(axis=0)[None], (ends[1] - ends[0])[None] / length
        return Axes.at(self.picture.camera, self.picture.height_mm, middles, along, np.array([length]))

    def _fitted(self, axes: Axes, reach_px: float, steps: int, folded: bool) -> SeamLine | None:
        trims_px = np.full((1, 2), RIM_MM * float(axes.scale[0]))
        window = sample(self.picture, axes, reach_px, reach_px, trims_px, np.zeros(1, np.int64))
        if len(window.side) < FEWEST:
            return None
        solver = SeamSolver(window, self.blurs, self.picture.noise, self.picture.encoder, float(axes.scale[0]))
        return solver.solve(steps, LEAST_STEP, folded)

    def _u_mm(self, line: SeamLine, middle: Floats, outward: Floats, scale: float) -> float:
        lens = self.picture.camera.lens_mat_mm
        seen_off = float((lens[:2] - middle) @ outward) / float(lens[2]) * HEIGHT_U_MM
        return math.hypot(math.sqrt(float(line.covariance[0, 0])) / scale, MODEL_FLOOR_PX / scale, seen_off)


def _without_stripes(found: list[Seam]) -> tuple[Seam, ...]:
    """Seams, the strongest first, without a striped print's lines: parallel ones, some of them too near to be sewn.

    Of two alone the weaker is where the allowance ends under the cloth.
    """
    kept = list(found)
    for first in found:
        family = [one for one in kept if _turned_rad(one, first) < PARALLEL_RAD]
        least_mm = NARROWEST_MM if len(family) < MANY else NARROW_MM
        near = any(_apart_mm(a, b) < least_mm for k, a in enumerate(family) for b in family[:k])
        if near:
            gone = family[1:] if len(family) == 2 else family
            kept = [one for one in kept if one not in gone]
    return tuple(kept)


def _turned_rad(one: Seam, other: Seam) -> float:
    ways = [math.atan2(*(seam.ends_mat_mm[1] - seam.ends_mat_mm[0])[::-1]) for seam in (one, other)]
    return abs(math.remainder(ways[0] - ways[1], math.pi))


def _apart_mm(one: Seam, other: Seam) -> float:
    """From one seam's middle to the other's line."""
    a, b = other.ends_mat_mm
    away, ahead = one.ends_mat_mm.mean(axis=0) - a, (b - a) / np.hypot(*(b - a))
    return abs(float(away[0] * ahead[1] - away[1] * ahead[0]))


def _split(look: _Look, turns_rad: Floats, cells: Cells, found: list[Seam]) -> None:
    """Find a seam in this part, then in what lies on either side of it."""
    start = best_line(cells, NEXT_GAIN if found else LEAST_GAIN, turns_rad)
    if start is None or len(found) >= MOST_SEAMS:
        return
    seam = look.fit(start)
    if seam is None:
        return
    found.append(seam)
    along = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
    normal = np.array([along[1], -along[0]]) / np.hypot(*along)
    side = (cells.places_mat_mm - seam.ends_mat_mm[0]) @ normal
    for keep in (side > RIM_MM, side < -RIM_MM):
        part = cells.where(keep)
        if part.pixels > FEWEST_IN_PART:
            _split(look, turns_rad, part, found)
