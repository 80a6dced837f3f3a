"""A unit trimmed by the virtual person where it lies: the line of light on it, the blade beside the ruler, a turn."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.person.sight import kept_edge, light_line
from projector.rehearsal.person.skill import beside
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.cloth import Piece, Pose, cut

Floats = NDArray[np.float64]
Kept = tuple[str, Floats]  # which side of a cut is kept, and along what direction that is said

REACH_MM = 20.0  # light beyond the cloth that the ruler is laid along
SAID = re.compile(r"turn the unit; about (\d+) deg (counter-)?clockwise")


def trim_light(
    picture: NDArray[np.uint8], kept: Kept | None, setting: Setting, unit: Piece, rng: np.random.Generator
) -> Floats | None:
    """The line (2, 2) of light to trim along, its edge on the side that is kept, the kept part on its left.

    A sliver is narrower than the light, so that it is seen by what lies beyond the cloth at both ends as well.
    """
    if kept is None:
        return None
    around = _grown(unit)
    line = light_line(picture, setting.projector, around, rng, trim=True)
    if line is None:
        return None
    edge = kept_edge(picture, setting.projector, around, line, *kept, trim=True)
    along = 1.0 if (edge[1] - edge[0]) @ kept[1] > 0.0 else -1.0
    return edge if (along > 0.0) is (kept[0] == "left") else edge[::-1]


def trimmed(unit: Piece, light: Floats, off_mm: float, turn_rad: float, blade_mm: float) -> Piece | None:
    """What is left of a unit cut along a light with the unit on its left, where the ruler lies; None if all is.

    The blade runs `blade_mm` beside the ruler, outward, and the hand `off_mm` and `turn_rad` off, positive inward and
    counter-clockwise.
    """
    kept, off = cut(unit, beside(light, off_mm - blade_mm, turn_rad))
    return None if off is None else kept


def turned_by(unit: Piece, turn_rad: float) -> Piece:
    """A unit turned about its middle, counter-clockwise."""
    turn = unit.pose.turn_rad + turn_rad
    x, y = unit.corners_mat_mm.mean(axis=0) - Pose(0.0, 0.0, turn).rotation @ unit.corners_mm.mean(axis=0)
    return unit.moved(Pose(float(x), float(y), float(turn)))


def said_turn_rad(do: str) -> float | None:
    """How far a unit is to be turned, counter-clockwise, as it was said.

    >>> said_turn_rad("turn the unit; about 180 deg clockwise; the cut would run toward you")
    -3.141592653589793
    """
    found = SAID.match(do)
    if found is None:
        return None
    return float(np.radians(int(found[1]))) * (1.0 if found[2] else -1.0)


def _grown(unit: Piece) -> Piece:
    """The unit and what lies around it, without names or seams."""
    middle = unit.corners_mm.mean(axis=0)
    out = unit.corners_mm - middle
    far = 1.0 + REACH_MM / np.hypot(*out.T)[:, None]
    sides = tuple("" for _ in unit.sides)
    return Piece(unit.source, middle + far * out, sides, (), np.empty((0, 2, 2)), unit.pose, unit.thickness_mm)
