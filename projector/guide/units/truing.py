"""When the end of a strip is cut true, why, and where the thinnest cut lies that does it: pure geometry.

A raw end is always trued. A later one is a cut of before; how far it is off is measured in two ways: the wedge, its
depth across the cut's direction from end to end, which is what the next unit is too wide at one edge and too narrow at
the other, and the tilt, its angle to the cut's direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from projector.guide.units.layout import CutLine, FoundStrip, inward, line_through, units_beyond
from projector.piecing.lengths import length_text
from projector.piecing.plans import Cut, Strip

MARGIN_MM = (
    1.0  # beyond a later end's innermost point: three standard deviations of a hand (common practice, no source)
)
NO_MATTER = 0.5  # of the tolerance: a smaller wedge shows in no unit's verdict
CLEAR_U = 2.0
MOST_TILT_RAD = math.radians(0.5)  # the usual tolerance of a unit's angles: nothing worse is left


@dataclass(frozen=True, slots=True)
class Truing:
    """When later ends are trued, and how much of a raw end is no good."""

    wedge_mm: float | None = None  # a wedge of more; None: the tolerance of the unit's width
    tilt_rad: float = math.radians(0.35)  # a tilt of more, if its wedge is worth it
    selvage_mm: float = 0.0  # at both raw ends of a strip


USUAL_TRUING = Truing()


def truing_reason(
    found: FoundStrip,
    cut: Cut,
    raw: bool,
    tolerance_mm: float,
    settings: Truing = USUAL_TRUING,
    metric: bool = False,
) -> str | None:
    """Why the end must be trued before a unit is cut from it, in words; None if it need not be.

    A raw end always. A later one where its wedge exceeds the limit (the tolerance, if no other is set), or its tilt its
    own. An end whose wedge is not surely (2 u) over half the tolerance is not trued for its tilt, but where that would
    come nearer to half a degree than to half the tolerance.
    A true wedge of 1.5 tolerances is trued, and one of half a tolerance is not, where u of the wedge is below a quarter
    of the tolerance. Where half a degree and half a tolerance contradict each other (below 46 mm at 1/32 in) the angle
    decides: units would be cut at it.
    """
    if raw:
        return "true the raw end first"
    tilt_rad, wedge_mm = abs(tilt_of(found, cut)), wedge_of(found, cut)
    if tilt_rad > _tilt_limit_rad(found, tolerance_mm, settings):
        return f"the end is {math.degrees(tilt_rad):.1f} deg off, true it"
    if wedge_mm > (tolerance_mm if settings.wedge_mm is None else settings.wedge_mm):
        return f"the end is {length_text(wedge_mm, metric, 64)} out of true, true it"
    return None


def _tilt_limit_rad(found: FoundStrip, tolerance_mm: float, settings: Truing) -> float:
    no_matter_rad = math.asin(min(1.0, NO_MATTER * tolerance_mm / _run_mm(found)))
    surely_rad = min(no_matter_rad + CLEAR_U * found.end_u_rad, (no_matter_rad + MOST_TILT_RAD) / 2.0)
    return min(MOST_TILT_RAD, max(settings.tilt_rad, surely_rad))


def truing_line(found: FoundStrip, cut: Cut, margin_mm: float, why: str, kept_back_mm: float = 0.0) -> CutLine:
    """At the cut's angle, `margin_mm` further in than the innermost point of the end; the strip is kept.

    However an end is stepped, as of strips that were sewn staggered, that point decides. `kept_back_mm` at the far end
    give no units.
    """
    across = inward(found, cut)
    through = found.end_mat_mm[np.argmax(found.end_mat_mm @ across)] + margin_mm * across
    return line_through(found, cut, through, "true_up", units_beyond(found, cut, through, kept_back_mm), why)


def margin_mm(strip: Strip, raw: bool, settings: Truing = USUAL_TRUING) -> float:
    """How far in a truing cut lies: past selvage and threads of a raw end; just past the point of a later one."""
    return settings.selvage_mm + strip.true_margin_mm if raw else MARGIN_MM


def wedge_of(found: FoundStrip, cut: Cut) -> float:
    """How deep the end is, across the cut's direction, over all its corners; mm."""
    return float(np.ptp(found.end_mat_mm @ inward(found, cut)))


def tilt_of(found: FoundStrip, cut: Cut) -> float:
    """Angle of the end to the cut's direction; radians, positive where its upper corner lies further in."""
    depths_mm = found.end_mat_mm @ inward(found, cut)
    return math.asin(float(np.clip((depths_mm[-1] - depths_mm[0]) / _run_mm(found), -1.0, 1.0)))


def _run_mm(found: FoundStrip) -> float:
    return math.dist(found.end_mat_mm[0], found.end_mat_mm[-1])
