"""Fit a strip's raw end: one cut across it, or the short ends of strips that were sewn together staggered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common
from vision.edge.sidefits import SideFit
from vision.edge.sides import NARROW
from vision.pieced import PiecedLine
from vision.polygons import line_meeting
from vision.strips.fits import CORNER_PX, STEP_PX, Fitting, end_pieces, pieced
from vision.strips.outline import RoughEnd

Floats = NDArray[np.float64]

ONE_CUT_RAD = math.radians(5.0)  # parts that run so nearly as the line through them all are one cut
STEP_U_MM = 0.7  # of a step's place where no seam tells it: the rim's, good to a pixel or two
AT_SEAM_MM = 4.0  # a step so near to a seam is at the seam


@dataclass(frozen=True, eq=False, slots=True)
class Cut:
    """An end as fitted, cloth on the left of its line; of a stepped end the line through the middles of its steps."""

    line: PiecedLine
    fits: tuple[SideFit, ...]
    steps_mat_mm: Floats  # (K, 2, 2) each strip's own end; none where the end is one cut


def fit_cut(
    fitting: Fitting,
    rough: RoughEnd,
    sides: tuple[PiecedLine, PiecedLine],
    seams: Sequence[PiecedLine],
    common: Common,
) -> Cut | None:
    """The end from its rough parts; None where no part, or of several only one, can be fitted."""
    parts = rough.parts_mat_mm
    if len(parts) > 1:
        stepped = _stepped(fitting, parts, sides, seams, common)
        if stepped is None or not _is_one_cut(stepped):
            return stepped
        parts = (np.array([parts[0][0], parts[-1][1]]),)
    fits, common = _fitted(fitting, parts[0], (True, True), sides, seams, common)
    return Cut(pieced(fits, common), tuple(fits), np.empty((0, 2, 2))) if fits else None


def _is_one_cut(stepped: Cut) -> bool:
    """A print with the mat's colour in it, or a fray, looks like steps from afar."""
    ahead = stepped.steps_mat_mm[:, 1] - stepped.steps_mat_mm[:, 0]
    along = stepped.line.along
    turns = np.arctan2(np.abs(ahead[:, 0] * along[1] - ahead[:, 1] * along[0]), ahead @ along)
    return bool(np.all(turns < ONE_CUT_RAD))


def _fitted(
    fitting: Fitting,
    part: Floats,
    at_side: tuple[bool, bool],
    sides: tuple[PiecedLine, PiecedLine],
    seams: Sequence[PiecedLine],
    common: Common,
) -> tuple[list[SideFit], Common]:
    """One straight part; where it ends at a long side it is taken up to there."""
    ends, trims = part.copy(), [STEP_PX, STEP_PX]
    for k in (0, 1):
        side = _nearest(sides, part[k])
        meeting = line_meeting(part[0], part[1], *side.points_mat_mm)
        if at_side[k] and meeting is not None:
            ends[k], trims[k] = meeting, _trim_px(part, side)
    return end_pieces(fitting, ends, (trims[0], trims[1]), seams, common)


def _trim_px(part: Floats, side: PiecedLine) -> float:
    """How much of an end to leave out at a long side, so that the side's own edge is not in the window."""
    ahead = (part[1] - part[0]) / np.hypot(*(part[1] - part[0]))
    sine = abs(float(ahead[0] * side.along[1] - ahead[1] * side.along[0]))
    return CORNER_PX if sine < 1e-3 else max(5.0, (NARROW.outside_px + 3.0) / sine)


def _stepped(
    fitting: Fitting,
    parts: Sequence[Floats],
    sides: tuple[PiecedLine, PiecedLine],
    seams: Sequence[PiecedLine],
    common: Common,
) -> Cut | None:
    last = len(parts) - 1
    fits, steps, us = list[SideFit](), list[Floats](), list[float]()
    for i, part in enumerate(parts):
        own, light = _fitted(fitting, part, (i == 0, i == last), sides, (), common)
        if not own:
            continue
        line = pieced(own, light)
        before = None if i == 0 else (parts[i - 1][1] + part[0]) / 2.0
        after = None if i == last else (part[1] + parts[i + 1][0]) / 2.0
        ends = [_bound(line, part[k], step, sides, seams) for k, step in enumerate((before, after))]
        fits += own
        steps.append(np.array([place for place, _ in ends]))
        us.append(math.hypot(line.u_at_mm(line.middle_mat_mm), *(u_mm / 2.0 for _, u_mm in ends)))
    if len(steps) < 2:
        return None
    return Cut(_through_middles(np.array(steps), np.array(us)), tuple(fits), np.array(steps))


def _bound(
    line: PiecedLine,
    rough_end: Floats,
    step: Floats | None,
    sides: tuple[PiecedLine, PiecedLine],
    seams: Sequence[PiecedLine],
) -> tuple[Floats, float]:
    """Where a part ends, at a long side or at the seam of a step, and how sure that is along the part, mm."""
    bounds = [_nearest(sides, rough_end)] if step is None else [s for s in seams if off_mm(s, step) < AT_SEAM_MM]
    for bound in sorted(bounds, key=lambda one: off_mm(one, rough_end)):
        meeting = line_meeting(*line.points_mat_mm, *bound.points_mat_mm)
        if meeting is not None:
            return meeting, bound.u_at_mm(meeting)
    at = rough_end if step is None else step
    return line.middle_mat_mm + line.along * float((at - line.middle_mat_mm) @ line.along), STEP_U_MM


def _nearest(lines: Sequence[PiecedLine], place: Floats) -> PiecedLine:
    return min(lines, key=lambda line: off_mm(line, place))


def off_mm(line: PiecedLine, place: Floats) -> float:
    """How far a place lies from a line, either way."""
    return abs(float((place - line.middle_mat_mm) @ [line.along[1], -line.along[0]]))


def _through_middles(steps: Floats, us: Floats) -> PiecedLine:
    """The line through the middles of a stepped end's parts, least squares across it; strips may differ in width."""
    middles = steps.mean(axis=1)
    centre = middles.mean(axis=0)
    along = np.linalg.svd(middles - centre)[2][0]
    along = along if float(along @ (middles[-1] - middles[0])) > 0 else -along
    s, rest = (middles - centre) @ along, (middles - centre) @ [along[1], -along[0]]
    scatter = float(np.sum(rest**2)) / (len(steps) - 2) if len(steps) > 2 else 0.0
    variance = max(float(np.mean(us**2)), scatter)
    covariance = np.diag([variance / len(steps), variance / float(np.sum(s**2))])
    return PiecedLine(centre, along, float(np.ptp(s)), covariance, 0.0, math.inf, ())
