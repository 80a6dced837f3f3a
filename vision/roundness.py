"""Say whether a region's sides are straight or curved, from its rim.

A curve can be laid out with straight sides as well, but then every side bows as an arc does: an arc that turns by t
rises t / 8 of its chord above it (t^2 R / 8 over t R, small angles), and t is how far the outline turns at the side's
ends. A straight side between real corners turns a lot there and bows hardly at all.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.outline import possible_outlines
from vision.polygons import signed_area
from vision.regions import Region

Floats = NDArray[np.float64]

ARC_LIKE = 0.55  # a bow over that of an arc with the same turn: a straight side has none, one cut astray a third
BENT = 0.1  # of its length, the bow of a side that is no side: one cut astray has far less
LEAST_BOW_PX = 0.35  # what the rim's own steps do not make
LEAST_SHARE = 0.15  # of the rim in bent sides: less is a rounded corner, or a print's figure at one
RIM_PX = 5.0  # farther from the side a pixel of the rim belongs to a thread or to another side
CLEAR_OF_ENDS = 0.04  # of a side's length
FEWEST = 6  # pixels of the rim that tell a bow


def is_curved(region: Region, rough_px: Floats) -> bool:
    """Whether no outline with straight sides describes the region's rim: so much of it is curved.

    `rough_px` is what `rough_polygon` says of the region: the likeliest outline, and mostly the only one looked at.
    """
    if _is_straight(rough_px, region.contour_px):
        return False
    return not any(_is_straight(outline, region.contour_px) for outline in possible_outlines(region))


def _is_straight(corners: Floats, rim_px: Floats) -> bool:
    corners = corners if signed_area(corners) > 0 else corners[::-1]  # turning from x to y
    ahead = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*ahead.T)
    turns = np.stack([_turns(ahead), np.roll(_turns(ahead), -1)])
    arc_turns = np.where(turns[0] * turns[1] > 0.0, np.sign(turns[0]) * np.min(np.abs(turns), axis=0), 0.0)
    bows = np.array([_bow_px(rim_px, start, way) for start, way in zip(corners, ahead, strict=True)])
    arc_like = np.abs(bows) > ARC_LIKE * np.abs(lengths * arc_turns / 8.0)
    bent = (np.abs(bows) > BENT * lengths) | (arc_like & (bows * arc_turns > 0.0))
    bent &= np.abs(bows) > LEAST_BOW_PX
    return bool(lengths[bent].sum() < LEAST_SHARE * lengths.sum())


def _turns(ahead: Floats) -> Floats:
    """(N,): by how much the outline turns at the start of each side (N, 2)."""
    back = np.roll(ahead, 1, axis=0)
    return np.asarray(np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1)))


def _bow_px(rim_px: Floats, start: Floats, way: Floats) -> float:
    """How far the rim's middle stands out of its ends along a side, by a parabola with median-based weights."""
    length = float(np.hypot(*way))
    along, across = (rim_px - start) @ way / length**2 - 0.5, (rim_px - start) @ np.array([way[1], -way[0]]) / length
    use = (np.abs(along) < 0.5 - CLEAR_OF_ENDS) & (np.abs(across) < RIM_PX + 0.05 * length)
    if np.count_nonzero(use) < FEWEST:
        return 0.0
    terms = np.column_stack([np.ones(np.count_nonzero(use)), along[use], 0.25 - along[use] ** 2])
    weight = np.ones(len(terms))
    fitted = np.zeros(3)
    for _ in range(5):
        fitted = np.linalg.lstsq(terms * weight[:, None], across[use] * weight, rcond=None)[0]
        weight = 1.0 / np.sqrt(np.maximum(np.abs(across[use] - terms @ fitted), 0.3))
    return float(fitted[2]) / 4.0
