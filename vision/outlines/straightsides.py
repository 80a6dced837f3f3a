"""Outlines (N, 2) in px beside the rim of a region (M, 2): how far they are from it, their sides laid through it.

Compiled loops over corners and the rim's points, for `outline`. Lines are laid with median-based weights: 1 / |off|.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.medians import part_at

Floats = NDArray[np.float64]

RIM_SHARE = 0.85  # of the rim must be explained; the rest may be threads, or a print with the mat's colour in it
AREA_SHARE = 0.4  # how much the area counts: threads and blocks of compression add to the rim's
LEAST_TURN_RAD = math.radians(9.0)  # two sides that turn by less are one side, bowed
FARTHEST_PX = 12.0  # a corner moves by no more when its sides are laid anew
NEAR_PX, FEWEST_NEAR = 4.0, 8  # the rim's points that belong to a side,
CLEAR_OF_ENDS = 0.08  # of its length
ROUNDS, LEAST_OFF_PX = 4, 0.3
FAR_MEETING = 3.0  # of the length of a side, from its middle to where its neighbours meet


@compiled
def misfit_px(corners: Floats, rim_px: Floats, area_px: float) -> float:
    """How far an outline is from the rim, on average, and how much its area differs, spread over its length."""
    n, many = len(corners), len(rim_px)
    nearest, area, length = np.full(many, np.inf), 0.0, 0.0
    for k in range(n):
        x0, y0 = corners[k]
        x1, y1 = corners[(k + 1) % n]
        dx, dy = x1 - x0, y1 - y0
        square = max(dx * dx + dy * dy, 1e-18)
        area += (x0 * y1 - x1 * y0) / 2.0
        length += math.sqrt(square)
        for i in range(many):
            x, y = rim_px[i, 0] - x0, rim_px[i, 1] - y0
            share = min(max((x * dx + y * dy) / square, 0.0), 1.0)
            nearest[i] = min(nearest[i], (x - share * dx) ** 2 + (y - share * dy) ** 2)
    near, off = max(1, int(RIM_SHARE * many)), 0.0
    part_at(nearest, many, min(near, many - 1))
    for i in range(near):
        off += math.sqrt(nearest[i])
    return float(off / near + AREA_SHARE * abs(abs(area) - area_px) / length)


@compiled
def beside_rim(outline_px: Floats, parts: int, rim_px: Floats, least_px: float) -> Floats:
    """(N, 2): of the rim nearest to each side the share that lies more than `least_px` outside of the outline; how far
    from each corner the rim comes.

    The outline's (N * parts, 2) points run clockwise from x to y, as a person sees counter-clockwise; a lens bends its
    sides, so that each is of so many straight `parts`.
    """
    n, many = len(outline_px), len(rim_px)
    nearest, at, outside = np.full(many, np.inf), np.zeros(many, np.int64), np.zeros(many, np.bool_)
    beside = np.zeros((n // parts, 2))
    for k in range(n):
        x0, y0 = outline_px[k]
        dx, dy = outline_px[(k + 1) % n, 0] - x0, outline_px[(k + 1) % n, 1] - y0
        square, least = max(dx * dx + dy * dy, 1e-18), np.inf
        for i in range(many):
            x, y = rim_px[i, 0] - x0, rim_px[i, 1] - y0
            share = min(max((x * dx + y * dy) / square, 0.0), 1.0)
            off = (x - share * dx) ** 2 + (y - share * dy) ** 2
            if off < nearest[i]:
                nearest[i], at[i], outside[i] = off, k // parts, x * dy - y * dx < 0.0
            least = min(least, x * x + y * y)
        if k % parts == 0:
            beside[k // parts, 1] = math.sqrt(least)
    counts = np.zeros(n // parts)
    for i in range(many):
        counts[at[i]] += 1.0
        beside[at[i], 0] += outside[i] and nearest[i] > least_px**2
    beside[:, 0] /= np.maximum(counts, 1.0)
    return beside


@compiled
def through_rim(corners: Floats, rim_px: Floats) -> Floats:
    """(N, 2): each side laid through the rim's points near it, and met anew at the corners."""
    n = len(corners)
    starts, ends, better = corners.copy(), corners.copy(), corners.copy()
    t, e, weight = np.empty((3, len(rim_px)))
    for k in range(n):
        start, end = corners[k], corners[(k + 1) % n]
        length = max(math.hypot(end[0] - start[0], end[1] - start[1]), 1e-9)
        along_x, along_y = (end[0] - start[0]) / length, (end[1] - start[1]) / length
        many = 0
        for i in range(len(rim_px)):
            x, y = rim_px[i, 0] - start[0], rim_px[i, 1] - start[1]
            across, along = y * along_x - x * along_y, x * along_x + y * along_y
            if abs(across) < NEAR_PX and CLEAR_OF_ENDS * length < along < (1.0 - CLEAR_OF_ENDS) * length:
                t[many], e[many], weight[many] = along, across, 1.0
                many += 1
        offset, slope = 0.0, 0.0
        for _ in range(ROUNDS if many >= FEWEST_NEAR else 0):
            offset, slope = _line(t[:many], e[:many], weight[:many])
            for i in range(many):
                weight[i] = 1.0 / max(abs(e[i] - offset - slope * t[i]), LEAST_OFF_PX)
        starts[k, 0], starts[k, 1] = start[0] - along_y * offset, start[1] + along_x * offset
        there = offset + slope * length
        ends[k, 0], ends[k, 1] = end[0] - along_y * there, end[1] + along_x * there
    for k in range(n):
        met, x, y = _meeting(starts[k - 1], ends[k - 1], starts[k], ends[k])
        if met and math.hypot(x - corners[k, 0], y - corners[k, 1]) < FARTHEST_PX:
            better[k, 0], better[k, 1] = x, y
    return better


@compiled
def _line(t: Floats, e: Floats, weight: Floats) -> tuple[float, float]:
    """Offset at t = 0 and slope of the line through points, each weighing something."""
    whole, by_t, by_e = 0.0, 0.0, 0.0
    for i in range(len(t)):
        whole += weight[i]
        by_t += weight[i] * t[i]
        by_e += weight[i] * e[i]
    mean_t, mean_e, mixed, square = by_t / whole, by_e / whole, 0.0, 0.0
    for i in range(len(t)):
        off = t[i] - mean_t
        mixed += weight[i] * off * e[i]
        square += weight[i] * off * off
    slope = mixed / max(square, 1e-9)
    return mean_e - slope * mean_t, slope


@compiled
def _meeting(a: Floats, b: Floats, c: Floats, d: Floats) -> tuple[bool, float, float]:
    """Whether the lines a-b and c-d meet, and where."""
    ux, uy, vx, vy = b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]
    det = ux * vy - uy * vx
    if abs(det) < 1e-9 * (math.hypot(ux, uy) * math.hypot(vx, vy) + 1e-12):
        return False, 0.0, 0.0
    share = ((c[0] - a[0]) * vy - (c[1] - a[1]) * vx) / det
    return True, a[0] + ux * share, a[1] + uy * share


@compiled
def without_flat(corners: Floats, least_side: float) -> Floats:
    """An outline without corners at which it hardly turns, and without sides shorter than `least_side`."""
    while len(corners) > 3:
        n, flattest, shortest, least_turn, least_length = len(corners), 0, 0, np.inf, np.inf
        for k in range(n):
            ax, ay = corners[(k + 1) % n, 0] - corners[k, 0], corners[(k + 1) % n, 1] - corners[k, 1]
            bx, by = corners[k, 0] - corners[k - 1, 0], corners[k, 1] - corners[k - 1, 1]
            turn, length = abs(math.atan2(bx * ay - by * ax, bx * ax + by * ay)), math.hypot(ax, ay)
            if turn < least_turn:
                flattest, least_turn = k, turn
            if length < least_length:
                shortest, least_length = k, length
        if least_turn < LEAST_TURN_RAD:
            corners = np.concatenate((corners[:flattest], corners[flattest + 1 :]))
        elif least_length < least_side:
            corners = without(corners, shortest)
        else:
            break
    return corners


@compiled
def without(corners: Floats, i: int) -> Floats:
    """An outline without side i: its neighbours meet instead, where they do so close by; else at the side's middle."""
    n = len(corners)
    start, end = corners[i], corners[(i + 1) % n]
    middle_x, middle_y = (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0
    met, x, y = _meeting(corners[i - 1], start, end, corners[(i + 2) % n])
    far = math.hypot(x - middle_x, y - middle_y) > FAR_MEETING * math.hypot(end[0] - start[0], end[1] - start[1])
    if not met or far:
        x, y = middle_x, middle_y
    drop = (i + 1) % n
    kept = np.concatenate((corners[:drop], corners[drop + 1 :]))
    at = i if i < n - 1 else n - 2
    kept[at, 0], kept[at, 1] = x, y
    return kept
