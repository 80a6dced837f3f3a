"""Say whether a region's sides are straight or curved, from its rim.

A curve can be laid out with straight sides as well, but then every side bows as an arc does: an arc that turns by t
rises t / 8 of its chord above it (t^2 R / 8 over t R, small angles), and t is how far the outline turns at the side's
ends. A straight side between real corners turns a lot there and bows hardly at all.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.finding.regions import Region
from vision.outlines.rough import possible_outlines
from vision.parabola import parabola
from vision.polygons import signed_area

Floats = NDArray[np.float64]

ARC_LIKE = 0.55  # a bow over that of an arc with the same turn: a straight side has none, one cut astray a third
BENT = 0.1  # of its length, the bow of a side that is no side: one cut astray has far less
LEAST_BOW_PX = 0.35
STEP_PX, RIM_PER_PX, SURE = 0.58, 0.42, 2.0  # a rim's own steps of 2 px: their spread, how many; standard deviations
LEAST_SHARE = 0.15  # of the rim in bent sides: less is a rounded corner, or a print's figure at one
RIM_PX = 5.0  # farther from the side a pixel of the rim belongs to a thread or to another side
CLEAR_OF_ENDS, MOST_CLEAR = 0.04, 0.3  # of a side's length
ROUNDED_PX = 4.0  # radius to which a rim in cells rounds its corners off: those of a small square made it a disc
FEWEST = 6  # pixels of the rim that tell a bow
ROUNDS, LEAST_OFF_PX = 5, 0.3


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
    # A circle between two sides touches them so far from where they meet.
    rounded = ROUNDED_PX * np.tan(np.clip(turns, 0.0, 0.9 * math.pi) / 2.0) / lengths
    clear = np.clip(rounded, CLEAR_OF_ENDS, MOST_CLEAR)
    bows = _bows_px(rim_px, np.ascontiguousarray(corners), lengths, clear)
    # A parabola through n places over a share of the side: from uneven places (the variance of t² is 1/180 over 1).
    share = 1.0 - clear.sum(axis=0)
    bows_u = STEP_PX * np.sqrt(180.0 / np.maximum(RIM_PER_PX * lengths * share, 1.0)) / (4.0 * share**2)
    arc_like = np.abs(bows) > ARC_LIKE * np.abs(lengths * arc_turns / 8.0)
    bent = (np.abs(bows) > BENT * lengths) | (arc_like & (bows * arc_turns > 0.0))
    bent &= np.abs(bows) > LEAST_BOW_PX
    if lengths[bent].sum() < LEAST_SHARE * lengths.sum():
        return True
    # The bows of a disc's many short sides are sure together; two of a small square may be its rim's own steps.
    return bool(np.sum((np.abs(bows) / bows_u)[bent]) < SURE * math.sqrt(np.count_nonzero(bent)))


def _turns(ahead: Floats) -> Floats:
    """(N,): by how much the outline turns at the start of each side (N, 2)."""
    back = np.roll(ahead, 1, axis=0)
    return np.asarray(np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1)))


@compiled
def _bows_px(rim_px: Floats, corners: Floats, lengths: Floats, clear: Floats) -> Floats:
    """(N,) how far the rim's middle stands out of its ends along each side, by a parabola with median-based weights.

    `clear` (2, N) are the shares of each side that are left out at its start and its end.
    """
    bows, n = np.zeros(len(corners)), len(corners)
    along, across, weight = np.empty((3, len(rim_px)))
    for k in range(n):
        start, length = corners[k], lengths[k]
        way_x, way_y = (corners[(k + 1) % n] - start) / length
        many = 0
        for i in range(len(rim_px)):
            x, y = rim_px[i, 0] - start[0], rim_px[i, 1] - start[1]
            share, off = (x * way_x + y * way_y) / length - 0.5, x * way_y - y * way_x
            if clear[0, k] - 0.5 < share < 0.5 - clear[1, k] and abs(off) < RIM_PX + 0.05 * length:
                along[many], across[many], weight[many] = share, off, 1.0
                many += 1
        if many < FEWEST:
            continue
        t, e, w = along[:many], across[:many], weight[:many]
        for _ in range(ROUNDS):
            a, b, c = parabola(t, e, w)
            for i in range(many):
                w[i] = 1.0 / max(abs(e[i] - a - b * t[i] - c * t[i] ** 2), LEAST_OFF_PX)
            bows[k] = -c / 4.0
    return bows
