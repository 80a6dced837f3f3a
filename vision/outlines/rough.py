"""From a region's rim to the rough polygon of its straight sides, good to a pixel or two: a start for the edge fit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.finding.regions import Region
from vision.outlines.straightsides import misfit_px, through_rim, without, without_flat
from vision.polygons import sides_of, signed_area

Floats = NDArray[np.float64]

SIMPLIFY_PX = 1.8
SIMPLER_PX = (1.5, 2.5, 4.0, 6.0, 9.0)
CORNER_COST_PX = 0.3  # one corner more must bring the outline this much nearer to the rim
MOST_CORNERS = 12
SHORT_LIST = 4  # outlines whose sides are laid through the rim,
SOLID = 0.96  # of its hull: what is broken by a print or by cloth like the mat has another outline than its rim
ALIKE = 2  # so many of them with one number of corners
SAME_PX = 1.5
RIM_POINTS = 150  # are enough to tell one outline from another
HOLLOW_RAD = math.radians(20.0)  # a corner that turns back by so much is hollow, and no bow
TOUCHING_SHARE = 0.12  # of the outline's area in the smaller of two pieces that touch


@dataclass(frozen=True, eq=False, slots=True)
class _Rim:
    """A region's rim as outlines are compared with it."""

    points_px: Floats  # (N, 2) all of them
    some_px: Floats  # (M, 2) about 150
    area_px: float

    @staticmethod
    def of(contour_px: Floats) -> _Rim:
        some = np.ascontiguousarray(contour_px[:: max(1, len(contour_px) // RIM_POINTS)])
        return _Rim(contour_px, some, float(cv2.contourArea(contour_px.astype(np.float32))))


def rough_polygon(region: Region) -> Floats | None:
    """Corners (N, 2) in px of the region's straight-sided outline, N >= 3, or None where there is none.

    Counter-clockwise as a person sees the picture (y of the pixels runs down). Of several outlines, from the convex
    hull and from the rim itself, the one that explains the rim best for its number of corners is taken.
    """
    rim = _Rim.of(region.contour_px)
    laid = [drop_flat_corners(through_rim(outline, rim.points_px)) for outline in _likely(rim)]
    if not laid:
        return None
    best = min(laid, key=lambda outline: _cost_px(outline, rim))
    best = drop_flat_corners(through_rim(best, rim.points_px))
    return best[::-1] if signed_area(best) > 0 else best


def solid(region: Region) -> bool:
    """Whether the region is convex but for what cells do to its rim: nothing has broken that."""
    contour = region.contour_px.astype(np.float32)
    return bool(cv2.contourArea(contour) > SOLID * cv2.contourArea(cv2.convexHull(contour)))


def _likely(rim: _Rim) -> list[Floats]:
    """The few simple outlines that explain the rim best, of each number of corners the best two."""
    ranked = sorted(_simple_outlines(rim.points_px), key=lambda outline: _cost_px(outline, rim))
    likely = list[Floats]()
    for outline in ranked:
        alike = [other for other in likely if len(other) == len(outline)]
        if len(alike) < ALIKE and not any(_same(outline, other) for other in alike):
            likely.append(outline)
        if len(likely) == SHORT_LIST:
            break
    return likely


def _same(one: Floats, other: Floats) -> bool:
    """Whether each corner of an outline has one of the other near it: both are laid through the same points then."""
    apart = np.abs(one[:, None] - other).max(axis=2).min(axis=1)
    return bool(apart.max() < SAME_PX)


def touching(corners: Floats) -> bool:
    """Whether an outline (N, 2) looks like that of two pieces that touch or lie one over the other.

    Two straight-sided pieces meet at two hollow corners; the line from one to the other parts the outline into two
    sizeable pieces. A single hollow corner may be the shape's own (an L); a notch's corners part off nothing.
    """
    ahead = sides_of(corners)
    back = np.roll(ahead, 1, axis=0)
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1))
    whole = signed_area(corners)
    hollow = np.flatnonzero(turn * np.sign(whole) < -HOLLOW_RAD)
    for k, first in enumerate(hollow):
        for second in hollow[k + 1 :]:
            parts = abs(signed_area(corners[first : second + 1])) / abs(whole)
            if TOUCHING_SHARE < parts < 1.0 - TOUCHING_SHARE:
                return True
    return False


def possible_outlines(region: Region) -> Iterator[Floats]:
    """Corners (N, 2) in px of outlines laid through the region's rim, each with another number of corners."""
    for outline in _simple_outlines(region.contour_px):
        corners = drop_flat_corners(through_rim(outline, region.contour_px))
        yield drop_flat_corners(through_rim(corners, region.contour_px))


def _simple_outlines(rim_px: Floats) -> list[Floats]:
    """Outlines (N, 2) of 3 to 12 corners through some of the rim's own points."""
    hull = _simplify(cv2.convexHull(rim_px.astype(np.float32))[:, 0].astype(np.float64), SIMPLIFY_PX)
    outlines = [drop_flat_corners(outline) for outline in _with_fewer_sides(hull) if len(outline) <= MOST_CORNERS + 4]
    # A hull leans on whatever stands out (compression's blocks, a thread); the rim itself runs mostly along the sides.
    outlines += [drop_flat_corners(_simplify(rim_px, px)) for px in SIMPLER_PX]
    return [outline for outline in outlines if 3 <= len(outline) <= MOST_CORNERS]


def _cost_px(corners: Floats, rim: _Rim) -> float:
    return misfit_px(corners, rim.some_px, rim.area_px) + CORNER_COST_PX * len(corners)


def _next(corners: Floats) -> Floats:
    return np.concatenate([corners[1:], corners[:1]])


def _before(corners: Floats) -> Floats:
    return np.concatenate([corners[-1:], corners[:-1]])


def _simplify(corners: Floats, most_px: float) -> Floats:
    simple = cv2.approxPolyDP(corners.astype(np.float32)[:, None], most_px, True)
    return np.asarray(simple[:, 0], dtype=np.float64)


def _with_fewer_sides(corners: Floats) -> list[Floats]:
    """A convex outline, and what is left as side after side gives way to the meeting point of its neighbours.

    Each time the side whose loss adds the least area.
    """
    outlines = [corners]
    while len(corners) > 3:
        costs = _costs_without(corners)
        i = int(np.argmin(costs))
        if not np.isfinite(costs[i]):
            break
        corners = without_side(corners, i)
        outlines.append(corners)
    return outlines


def _costs_without(corners: Floats) -> Floats:
    """(N,) area added by dropping each side of a convex outline; infinite where its neighbours do not meet beyond."""
    end = _next(corners)
    after = _next(end)
    into, back, side = corners - _before(corners), end - after, end - corners
    turn = into[:, 0] * back[:, 1] - into[:, 1] * back[:, 0]
    safe = np.where(np.abs(turn) < 1e-9, 1.0, turn)
    forth = (side[:, 0] * back[:, 1] - side[:, 1] * back[:, 0]) / safe
    beyond = (side[:, 0] * into[:, 1] - side[:, 1] * into[:, 0]) / safe
    area = np.abs(forth * (into[:, 0] * side[:, 1] - into[:, 1] * side[:, 0])) / 2.0
    return np.where((np.abs(turn) < 1e-9) | (forth < 0) | (beyond < 0), np.inf, area)


def drop_flat_corners(corners: Floats, least_side: float = 0.0) -> Floats:
    """Leave out corners (N, 2) at which an outline hardly turns, and sides shorter than `least_side`."""
    return without_flat(np.ascontiguousarray(corners, np.float64), least_side)


def without_side(corners: Floats, i: int) -> Floats:
    """Drop side i: its neighbours meet instead, where they do so close by; else one corner takes its place."""
    return without(np.ascontiguousarray(corners, np.float64), i)
