"""From rough outlines to fitted ones: all sides of a picture at once, with fewer corners until every side is real."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from calibration.pinhole import Pinhole
from vision.edge.common import Common, unseen
from vision.edge.picture import Picture
from vision.edge.sidefits import SideFit, Sides
from vision.edge.sides import NARROW, WIDE, Reach, SideStart, fit_sides
from vision.finding.contrast import CELL_PX
from vision.medians import median
from vision.outlines.rough import drop_flat_corners, without_side
from vision.polygons import line_meeting, side_lengths

Floats = NDArray[np.float64]

LEAST_SIDE_MM = 5.0  # a shorter side is a nick or a thread, not a side
SHORT_SIDE_MM = 30.0
MOST_MOVED_MM = 10.0  # by a fit, of a corner of the rough outline: a side that was none runs away
HALF_SURE = 3.5  # standard deviations of a smoothed difference: likelier cloth than mat
LEAST_ALIKE = 0.6  # of what a fitted outline and its rough one enclose together, that lies in both
MOST_TRIES = 5  # of fitting, with fewer corners each time
LEAST_TRIM_PX = 5.0


@dataclass(frozen=True, eq=False, slots=True)
class Outline:
    """A piece's corners (N, 2) as its fitted sides meet, and the sides."""

    corners_mat_mm: Floats
    sides: tuple[SideFit, ...]
    first: int  # the number of its first side among all that were fitted together


@dataclass(frozen=True, eq=False, slots=True)
class Outlines:
    """The pieces of a picture that could be fitted, by their numbers, among all sides that were fitted together."""

    found: Mapping[int, Outline]
    together: Sides

    @property
    def common(self) -> Common:
        """What all their sides have in common."""
        return self.together.common


def fit_outlines(picture: Picture, rough_mat_mm: Mapping[int, Floats], differs: NDArray[np.float32]) -> Outlines:
    """Fit rough outlines (N, 2), each by the number of its cloth less one; `differs` (h, w) is a `difference_map`."""
    camera, height_mm = picture.camera, picture.height_mm
    open_ones = {i: _with_full_corners(c, differs, camera, height_mm) for i, c in rough_mat_mm.items()}
    settled: dict[int, Outline] = {}
    first: Sides | None = None
    tries = 0
    while open_ones and tries < MOST_TRIES:
        fitted = _fit(picture, open_ones, (WIDE, NARROW), None if first is None else first.common)
        first = first or fitted.together
        again: dict[int, Floats] = {}
        for i, rough in open_ones.items():
            outline = fitted.found.get(i)
            following = _following(rough, outline, differs, camera, height_mm)
            if outline is not None and following is None:
                settled[i] = outline
            elif following is not None:
                again[i] = following
        open_ones, tries = again, tries + 1
    settled = {i: outline for i, outline in settled.items() if _of_the_same(outline.corners_mat_mm, rough_mat_mm[i])}
    if first is None or tries < 2 or not settled:
        return Outlines(settled, first or Sides((), unseen(0.0)))
    # What is common was found beside outlines that were none: once more with all that are. One that cannot be fitted
    # then has no place beside what is common now.
    return _fit(picture, {i: outline.corners_mat_mm for i, outline in settled.items()}, (NARROW,), None)


def _of_the_same(fitted: Floats, rough: Floats) -> bool:
    """Whether two outlines enclose about the same: sides that hardly show run away, and their corners with them."""
    one, other = (Polygon(corners).buffer(0) for corners in (fitted, rough))
    return bool(one.intersection(other).area > LEAST_ALIKE * one.union(other).area)


def _following(
    rough: Floats, outline: Outline | None, differs: NDArray[np.float32], camera: Pinhole, height_mm: float
) -> Floats | None:
    """The outline to try next; None where the fitted one stands, or where nothing is left to try."""
    if outline is None or float(np.max(np.hypot(*(outline.corners_mat_mm - rough).T))) > MOST_MOVED_MM:
        # A side too short to be fitted may be none: a print's figure at a corner, a tip that was rounded off.
        lengths = side_lengths(rough)
        shortest = int(np.argmin(lengths))
        if len(rough) > 3 and lengths[shortest] < SHORT_SIDE_MM:
            return without_side(rough, shortest)
        if outline is None:
            return None
    corners = drop_flat_corners(outline.corners_mat_mm, LEAST_SIDE_MM)
    corners = _with_full_corners(corners, differs, camera, height_mm)
    return corners if len(corners) < len(outline.corners_mat_mm) else None


def _fit(
    picture: Picture, outlines: Mapping[int, Floats], reaches: tuple[Reach, ...], prior: Common | None
) -> Outlines:
    starts = [
        SideStart(
            corners[[k, (k + 1) % len(corners)]],
            (trim_px(corners, k, NARROW.inside_px), trim_px(corners, k + 1, NARROW.inside_px)),
            i + 1,
        )
        for i, corners in outlines.items()
        for k in range(len(corners))
    ]
    fitted = fit_sides(picture, starts, reaches, prior)
    found, first = dict[int, Outline](), 0
    for i, corners in outlines.items():
        sides = [side for side in fitted.fits[first : first + len(corners)] if side is not None]
        met = _meet(sides) if len(sides) == len(corners) else None
        if met is not None:
            found[i] = Outline(met, tuple(sides), first)
        first += len(corners)
    return Outlines(found, fitted)


def _meet(sides: list[SideFit]) -> Floats | None:
    """(N, 2): where each side meets the one before; None where two do not."""
    meetings = [
        line_meeting(a.middle_mat_mm, a.middle_mat_mm + a.along, b.middle_mat_mm, b.middle_mat_mm + b.along)
        for a, b in zip([sides[-1], *sides[:-1]], sides, strict=True)
    ]
    corners = np.array([meeting for meeting in meetings if meeting is not None])
    return corners if len(corners) == len(sides) and np.all(np.isfinite(corners)) else None


def trim_px(corners: Floats, i: int, inside_px: float) -> float:
    """How much of a side's end to leave out at corner i, that the neighbour's edge is not in a window of that depth."""
    n = len(corners)
    back, ahead = corners[(i - 1) % n] - corners[i % n], corners[(i + 1) % n] - corners[i % n]
    angle = math.atan2(abs(float(back[0] * ahead[1] - back[1] * ahead[0])), float(back @ ahead))
    if angle >= math.pi / 2:
        return LEAST_TRIM_PX
    return max(LEAST_TRIM_PX, inside_px / math.tan(angle) + 3.0 / math.sin(angle))


def _with_full_corners(corners: Floats, differs: NDArray[np.float32], camera: Pinhole, height_mm: float) -> Floats:
    """Drop short sides beyond which there is cloth still: a print's own figures cut that corner, no blade."""
    for i in np.argsort(side_lengths(corners)):
        n = len(corners)
        before, start, end, after = (corners[k % n] for k in (i - 1, i, i + 1, i + 2))
        length = float(np.hypot(*(end - start)))
        meeting = line_meeting(before, start, end, after)
        if n == 3 or length > SHORT_SIDE_MM or meeting is None:
            continue
        if np.hypot(*(meeting - (start + end) / 2.0)) > 1.5 * length:
            continue
        beyond = (start - before) @ (meeting - start) > 0
        if not beyond or _is_cloth(camera.px_from_mat(np.array([start, meeting, end]), height_mm), differs):
            return without_side(corners, int(i))
    return corners


def _is_cloth(corner_px: Floats, differs: NDArray[np.float32]) -> bool:
    """Whether most of a triangle of the picture differs from the mat."""
    size_px = np.array(differs.shape[::-1]) * CELL_PX
    low = np.clip(np.floor(corner_px.min(axis=0)).astype(int), 0, size_px)
    high = np.clip(np.ceil(corner_px.max(axis=0)).astype(int) + 1, low, size_px)
    inside = np.zeros((high - low)[::-1], np.uint8)
    cv2.fillPoly(inside, [np.rint(corner_px - low).astype(np.int32)], 1)
    if not inside.any():
        return False
    # Cells' middles lie half a pixel beyond their first pixels' middles.
    to_cells = np.column_stack([np.eye(2), low - 0.5]) / CELL_PX
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = int(high[0] - low[0]), int(high[1] - low[1])
    part = cv2.warpAffine(differs, to_cells, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return median(np.asarray(part, np.float32)[inside > 0]) > HALF_SURE
