"""From a region's rim to the rough polygon of its straight sides, good to a pixel or two: a start for the edge fit."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.polygons import line_meeting, side_lengths, sides_of, signed_area
from vision.regions import Region

Floats = NDArray[np.float64]

SIMPLIFY_PX = 1.8
SIMPLER_PX = (1.5, 2.5, 4.0, 6.0, 9.0)
LEAST_TURN_RAD = math.radians(9.0)  # two sides that turn by less are one side, bowed
CORNER_COST_PX = 0.3  # one corner more must bring the outline this much nearer to the rim
MOST_CORNERS = 12
SHORT_LIST = 5  # outlines whose sides are laid through the rim
RIM_POINTS = 150  # are enough to tell one outline from another
FARTHEST_PX = 12.0  # a corner moves by no more when its sides are laid anew
HOLLOW_RAD = math.radians(20.0)  # a corner that turns back by so much is hollow, and no bow
TOUCHING_SHARE = 0.12  # of the outline's area in the smaller of two pieces that touch
AREA_SHARE = 0.4  # how much the area counts: threads and blocks of compression add to the rim's
RIM_SHARE = 0.85  # of the rim must be explained; the rest may be threads, or a print with the mat's colour in it


def rough_polygon(region: Region) -> Floats | None:
    """Corners (N, 2) in px of the region's straight-sided outline, N >= 3, or None where there is none.

    Counter-clockwise as a person sees the picture (y of the pixels runs down). Of several outlines, from the convex
    hull and from the rim itself, the one that explains the rim best for its number of corners is taken.
    """
    likely = sorted(_simple_outlines(region), key=lambda outline: _cost_px(outline, region))[:SHORT_LIST]
    laid = [drop_flat_corners(_through_rim(outline, region.contour_px)) for outline in likely]
    laid = [drop_flat_corners(_through_rim(outline, region.contour_px)) for outline in laid]
    if not laid:
        return None
    best = min(laid, key=lambda outline: _cost_px(outline, region))
    return best[::-1] if signed_area(best) > 0 else best


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
    for outline in _simple_outlines(region):
        corners = drop_flat_corners(_through_rim(outline, region.contour_px))
        yield drop_flat_corners(_through_rim(corners, region.contour_px))


def _simple_outlines(region: Region) -> list[Floats]:
    """Outlines (N, 2) of 3 to 12 corners through some of the rim's own points."""
    hull = _simplify(cv2.convexHull(region.contour_px.astype(np.float32))[:, 0].astype(np.float64), SIMPLIFY_PX)
    outlines = [drop_flat_corners(outline) for outline in _with_fewer_sides(hull) if len(outline) <= MOST_CORNERS + 4]
    # A hull leans on whatever stands out (compression's blocks, a thread); the rim itself runs mostly along the sides.
    outlines += [drop_flat_corners(_simplify(region.contour_px, px)) for px in SIMPLER_PX]
    return [outline for outline in outlines if 3 <= len(outline) <= MOST_CORNERS]


def _cost_px(corners: Floats, region: Region) -> float:
    return _misfit_px(corners, region) + CORNER_COST_PX * len(corners)


def _misfit_px(corners: Floats, region: Region) -> float:
    """How far an outline is from the rim, on average, and how much its area differs, spread over its length."""
    along = sides_of(corners)
    length = np.hypot(*along.T)
    rim = region.contour_px[:: max(1, len(region.contour_px) // RIM_POINTS)]
    x, y = rim[:, :1] - corners[:, 0], rim[:, 1:] - corners[:, 1]
    share = np.clip((x * along[:, 0] + y * along[:, 1]) / np.maximum(length, 1e-9) ** 2, 0.0, 1.0)
    squared = (x - share * along[:, 0]) ** 2 + (y - share * along[:, 1]) ** 2
    distance = np.sort(np.sqrt(squared.min(axis=1)))
    near = distance[: max(1, int(RIM_SHARE * len(distance)))]
    area = cv2.contourArea(region.contour_px.astype(np.float32))
    return float(near.mean() + AREA_SHARE * abs(abs(signed_area(corners)) - area) / length.sum())


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
    end, after = np.roll(corners, -1, axis=0), np.roll(corners, -2, axis=0)
    into, back, side = corners - np.roll(corners, 1, axis=0), end - after, end - corners
    turn = into[:, 0] * back[:, 1] - into[:, 1] * back[:, 0]
    safe = np.where(np.abs(turn) < 1e-9, 1.0, turn)
    forth = (side[:, 0] * back[:, 1] - side[:, 1] * back[:, 0]) / safe
    beyond = (side[:, 0] * into[:, 1] - side[:, 1] * into[:, 0]) / safe
    area = np.abs(forth * (into[:, 0] * side[:, 1] - into[:, 1] * side[:, 0])) / 2.0
    return np.where((np.abs(turn) < 1e-9) | (forth < 0) | (beyond < 0), np.inf, area)


def drop_flat_corners(corners: Floats, least_side: float = 0.0) -> Floats:
    """Leave out corners (N, 2) at which an outline hardly turns, and sides shorter than `least_side`."""
    while len(corners) > 3:
        ahead = np.roll(corners, -1, axis=0) - corners
        back = corners - np.roll(corners, 1, axis=0)
        turn = np.abs(np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.sum(back * ahead, axis=1)))
        i = int(np.argmin(turn))
        if turn[i] < LEAST_TURN_RAD:
            corners = np.delete(corners, i, axis=0)
            continue
        lengths = side_lengths(corners)
        i = int(np.argmin(lengths))
        if lengths[i] >= least_side:
            break
        corners = without_side(corners, i)
    return corners


def without_side(corners: Floats, i: int) -> Floats:
    """Drop side i: its neighbours meet instead, where they do so close by; else one corner takes its place."""
    n = len(corners)
    before, start, end, after = (corners[k % n] for k in (i - 1, i, i + 1, i + 2))
    meeting = line_meeting(before, start, end, after)
    middle = (start + end) / 2.0
    if meeting is None or np.hypot(*(meeting - middle)) > 3.0 * np.hypot(*(end - start)):
        meeting = middle
    kept = np.delete(corners, (i + 1) % n, axis=0)
    kept[i if i < n - 1 else n - 2] = meeting
    return kept


def _through_rim(corners: Floats, rim_px: Floats) -> Floats:
    """Lay each side through the rim's pixels near it (median-based weights), and meet them anew at the corners."""
    lines = [_side_through_rim(corners[i], corners[(i + 1) % len(corners)], rim_px) for i in range(len(corners))]
    better = []
    for i, corner in enumerate(corners):
        meeting = line_meeting(*lines[i - 1], *lines[i])
        near = meeting is not None and np.hypot(*(meeting - corner)) < FARTHEST_PX
        better.append(meeting if near else corner)
    return np.array(better)


def _side_through_rim(a: Floats, b: Floats, rim_px: Floats) -> tuple[Floats, Floats]:
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    normal = np.array([-along[1], along[0]])
    t, e = (rim_px - a) @ along, (rim_px - a) @ normal
    use = (np.abs(e) < 4.0) & (t > 0.08 * length) & (t < 0.92 * length)
    if np.count_nonzero(use) < 8:
        return a, b
    t, e = t[use], e[use]
    weight = np.ones_like(t)
    offset = slope = 0.0
    for _ in range(4):
        offset, slope = _weighted_line(t, e, weight)
        weight = 1.0 / np.maximum(np.abs(e - offset - slope * t), 0.3)
    return a + normal * offset, b + normal * (offset + slope * length)


def _weighted_line(t: Floats, e: Floats, weight: Floats) -> tuple[float, float]:
    total = weight.sum()
    mean_t, mean_e = (weight * t).sum() / total, (weight * e).sum() / total
    slope = (weight * (t - mean_t) * (e - mean_e)).sum() / max((weight * (t - mean_t) ** 2).sum(), 1e-9)
    return float(mean_e - slope * mean_t), float(slope)
