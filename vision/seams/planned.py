"""Find the seams that a plan says are there: of patchwork, whose seams no straight line parts into two fabrics.

Along a seam between four patches dark and light change sides, and a search for two fabrics sees nothing. So the planned
shape is laid on the outline, in every way in which it may lie, and each straight part of a seam is fitted by itself
where it should be (`seams.fit_seam`); the way in which most of them are really there is the right one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from vision.comparing.expected import ExpectedShape
from vision.comparing.rigidfit import turn_matrix
from vision.edge.picture import Picture
from vision.edge.seam_fit import Blurs
from vision.pieced import Piece, straight_line
from vision.polygons import line_meeting, side_lengths, sides_of
from vision.seams.inside import fit_seam
from vision.units import Seam

Floats = NDArray[np.float64]

LARGER = 1.6  # a unit that waits for its trims is at most so many times as large as planned
IN_COMMON = 0.8  # of the planned shape must lie on the cloth, to be tried
SAME_TURN_RAD = math.radians(4.0)
LONG_SIDE = 0.2  # of the longest: shorter sides are ears, and tell no direction
HALF_MM = 6.0  # so far to either side of where it should be a seam is looked for
LEAST_MM = 13.0  # of a seam's part, to be fitted by itself
MOST_TURN_RAD = math.radians(4.0)
LEAST_SEEN = 0.5  # of a seam, and of all seams, must be found
ENOUGH = 0.9  # of all seams: no other way in which this shape may lie need be tried
ON_IT = 0.02  # of a seam's length: so near to its end it still meets another


def planned_seams(
    picture: Picture, outline_mat_mm: Floats, shapes: Sequence[ExpectedShape], blurs: Blurs
) -> tuple[Seam, ...]:
    """The seams of the planned shape that an outline (N, 2) is, as far as they are seen, or none.

    Each runs as planned, from where to where its part should.
    """
    best: tuple[float, tuple[Seam, ...]] = (0.0, ())
    for shape in shapes:
        for seams_mat_mm in _ways(outline_mat_mm, shape):
            tries = [_seam(picture, seam, _parts(seam, seams_mat_mm), blurs) for seam in seams_mat_mm]
            found = [seam for seam in tries if seam is not None]
            seen, whole = (
                sum(math.dist(*line) for line in of) for of in ([s.ends_mat_mm for s in found], seams_mat_mm)
            )
            if seen >= LEAST_SEEN * whole and seen > best[0]:
                best = seen, tuple(found)
            if seen >= ENOUGH * whole:
                break
    return best[1]


def _parts(seam: Floats, seams: Floats) -> list[Floats]:
    """A seam (2, 2) cut where another one ends on it or crosses it: within each part the same two fabrics meet."""
    run = seam[1] - seam[0]
    length = float(np.hypot(*run))
    along, knots = run / length, [0.0, length]
    for other in seams:
        met = line_meeting(seam[0], seam[1], other[0], other[1])
        if met is None:
            continue
        way = other[1] - other[0]
        share = float((met - other[0]) @ way) / float(way @ way)
        at = float((met - seam[0]) @ along)
        if -ON_IT < share < 1.0 + ON_IT and 0.0 < at < length:
            knots.append(at)
    knots.sort()
    ends = [seam[0] + np.outer([low, high], along) for low, high in itertools.pairwise(knots)]
    return [part for part in ends if math.dist(*part) >= LEAST_MM]


def _seam(picture: Picture, seam: Floats, parts: Sequence[Floats], blurs: Blurs) -> Seam | None:
    """The line through those parts of a seam that are seen, from end to end of it; None where too little is.

    Parts may err alike, so the line is taken to be no surer than one of them.
    """
    found = [one for one in (_fitted(picture, part, blurs) for part in parts) if one is not None]
    if not found or sum(math.dist(*one.ends_mat_mm) for one in found) < LEAST_SEEN * math.dist(*seam):
        return None
    if len(found) == 1 and len(parts) == 1:
        return found[0]
    line = straight_line([_piece(one) for one in found])
    ends = line.middle_mat_mm + np.outer((seam - line.middle_mat_mm) @ line.along, line.along)
    u_mm = max(float(np.median([one.u_mm for one in found])), line.u_at_mm(line.middle_mat_mm))
    return Seam(ends, u_mm)


def _piece(seam: Seam) -> Piece:
    run = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
    length_mm = float(np.hypot(*run))
    middle = seam.ends_mat_mm.mean(axis=0)
    return Piece(middle, run / length_mm, length_mm, seam.u_mm, math.sqrt(12.0) * seam.u_mm / length_mm)


def _ways(outline: Floats, shape: ExpectedShape) -> Iterator[Floats]:
    """Where the seams (S, 2, 2) would run, for every turn that brings a long planned side onto one of the outline."""
    cloth, planned = Polygon(outline).buffer(0.0), Polygon(shape.corners_mm)
    if not len(shape.seams_mm) or not 1.0 / LARGER <= cloth.area / planned.area <= LARGER:
        return
    ahead, lengths = sides_of(outline), side_lengths(outline)
    longest = sides_of(shape.corners_mm)[int(np.argmax(side_lengths(shape.corners_mm)))]
    middles = [np.array(one.centroid.coords[0]) for one in (planned, cloth)]
    tried = list[float]()
    for side, length in zip(ahead, lengths, strict=True):
        angle = math.atan2(side[1], side[0]) - math.atan2(longest[1], longest[0])
        if length < LONG_SIDE * lengths.max() or any(_apart(angle, other) < SAME_TURN_RAD for other in tried):
            continue
        tried.append(angle)
        turn = turn_matrix(angle).T
        laid = Polygon((shape.corners_mm - middles[0]) @ turn + middles[1]).buffer(0.0)
        if laid.intersection(cloth).area >= IN_COMMON * laid.area:
            yield (shape.seams_mm - middles[0]) @ turn + middles[1]


def _fitted(picture: Picture, part: Floats, blurs: Blurs) -> Seam | None:
    """A straight part of a seam (2, 2), looked for beside where it should be."""
    along = (part[1] - part[0]) / np.hypot(*(part[1] - part[0]))
    left = HALF_MM * np.array([-along[1], along[0]])
    seam = fit_seam(picture, np.array([part[0] - left, part[1] - left, part[1] + left, part[0] + left]), part, blurs)
    if seam is None:
        return None
    run = seam.ends_mat_mm[1] - seam.ends_mat_mm[0]
    ends = seam.ends_mat_mm if run @ along > 0.0 else seam.ends_mat_mm[::-1]
    run = ends[1] - ends[0]
    is_turned = abs(float(along[0] * run[1] - along[1] * run[0])) > math.sin(MOST_TURN_RAD) * float(np.hypot(*run))
    return None if is_turned else Seam(ends, seam.u_mm)


def _apart(angle: float, other: float) -> float:
    return abs((angle - other + math.pi) % (2.0 * math.pi) - math.pi)
