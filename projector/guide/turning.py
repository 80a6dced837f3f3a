"""Which way a cut runs for the person who stands at the mat's near edge, and when the cloth is to be turned for it.

A blade is pushed away from the body along a ruler that the other hand holds: for a right hand the ruler lies left of
the cut, for a left hand right of it. So a line has a direction, from its near end away, and what a trim keeps is on the
ruler's side. A cut may lean from straight away to either side, as slanted cuts of a strip that lies across do; beyond
60 degrees it runs across the body, beyond 90 toward it (common practice, no source; 60 is 45 and what a strip is laid
askew, with room).
"""

from __future__ import annotations

import math

from projector.guide.units.layout import CutLine, Floats

MOST_RAD = math.radians(60.0)  # from straight away


def must_turn(line: CutLine) -> bool:
    """Whether a cut would run across the body or toward it."""
    return abs(lean_of(line.shown_mat_mm)) > MOST_RAD


def turn_reason(line: CutLine, what: str) -> str | None:
    """Why and how far `what` should be turned before it is cut, in words; None where the cut runs away well enough."""
    if not must_turn(line):
        return None
    lean_rad = lean_of(line.shown_mat_mm)
    runs = "toward you" if abs(lean_rad) > math.pi / 2.0 else "across your body"
    way = "counter-clockwise" if lean_rad > 0.0 else "clockwise"
    # To the next 15 degrees: nobody turns cloth finer, and the line is laid anew on it anyway.
    degrees = 15 * round(math.degrees(abs(lean_rad)) / 15.0)
    return f"turn the {what}; about {degrees} deg {way}; the cut would run {runs}"


def lean_of(shown_mat_mm: Floats) -> float:
    """From straight away from the person to a line's direction; radians, positive to the right."""
    x, y = shown_mat_mm[1] - shown_mat_mm[0]
    return math.atan2(float(x), float(y))
