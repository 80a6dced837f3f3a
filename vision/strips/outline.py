"""Is it a strip? From a region's rim to two long sides and the ends between them, good to a millimetre: a start.

A strip has two long sides, about parallel, and is long for its width or runs on beyond the picture. Its ends may be
one cut or several short ones: strips that are sewn together staggered.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.comparing.expected import ExpectedShape, ExpectedStrip
from vision.finding.regions import Region
from vision.polygons import signed_area

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_RATIO = 4.0  # of a whole strip's length to its width
LEAST_LENGTH_MM = 250.0  # of a whole strip: a shorter piece is a unit
LEAST_RATIO_CUT_OFF = 2.0  # of a strip that runs on beyond the picture
LEAST_LENGTH_CUT_OFF_MM = 100.0
LEAST_RATIO_EXPECTED = 1.2  # of a strip whose width is the expected one
WIDTH_MATCH_MM = 6.0  # so near to an expected width it is that strip
LONGER_THAN_EXPECTED = 1.2  # than any expected unit
PARALLEL_RAD = math.radians(5.0)
FILLED = 0.85  # of the area between its sides is cloth
SIMPLIFY_MM = 1.2
SIDE_TURN_RAD = math.radians(12.0)  # a rim that runs so nearly along the strip is a long side, bowed perhaps
STEP_SLOPE = math.tan(math.radians(8.0))  # the same between the parts of an end: a step from one strip to the next
LEAST_STEP_MM = 4.0
STEEPEST_STEP, ROUNDED_MM = 0.6, 3.5  # a short step is seen at a slant: its corners are rounded off
SIDE_MM = 2.5  # so far from a long side's curve its rim may lie
LEAST_PART_MM = 5.0  # of an end; shorter is a nick or a thread
ROUNDS = 8
RIM_PX = 6.0  # so near to the picture's rim nothing is an edge of the cloth
CUT_OFF_MM = 8.0  # a side that ends so near to the picture's rim runs on beyond it


@dataclass(frozen=True, eq=False, slots=True)
class RoughEnd:
    """An end's parts, each (2, 2) from end to end with the cloth on its left; one part is one cut."""

    parts_mat_mm: tuple[Floats, ...]


@dataclass(frozen=True, eq=False, slots=True)
class RoughStrip:
    """A strip as its region's rim tells; the second side runs against the first, so cloth is on the left of both."""

    sides_mat_mm: tuple[Floats, Floats]  # (2, 2) each, the part seen
    bends_mm: tuple[float, float]  # sag of each side's middle against its ends, outward
    ends: tuple[RoughEnd, ...]  # ahead along the first side, and behind it; those beyond the picture are left out
    width_mm: float
    length_mm: float  # mean of the sides
    cut_off: bool  # both sides run on beyond the picture at one end at least


def near_rim(on_mat: Bools) -> Bools:
    """(H, W): True where nothing is an edge of the cloth, so near to the rim of what is seen of the mat."""
    inside = cv2.distanceTransform(np.pad(on_mat, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.asarray(inside < RIM_PX)


def rough_strip(region: Region, camera: Pinhole, height_mm: float, at_rim: Bools) -> RoughStrip | None:
    """The strip that a region may be, None where it has no two long sides; `at_rim` (H, W) is `near_rim`'s."""
    rim_mm = camera.mat_from_px(region.contour_px, height_mm)
    if len(rim_mm) < 20:
        return None
    order = slice(None) if signed_area(rim_mm) > 0 else slice(None, None, -1)
    rim_mm = rim_mm[order]
    beyond = at_rim[tuple(region.contour_px[order].astype(np.int64).T[::-1])]
    corners = _simplified(rim_mm)
    axis = _axis(rim_mm, corners, beyond)
    if axis is None:
        return None
    frame = _Frame.along(axis, rim_mm)
    runs = [_run(frame.turned(way), rim_mm, corners, beyond) for way in (1.0, -1.0)]
    if runs[0] is None or runs[1] is None:
        return None
    return _strip(frame, runs[0], runs[1], rim_mm, beyond)


def is_strip(rough: RoughStrip, strips: Sequence[ExpectedStrip] = (), units: Sequence[ExpectedShape] = ()) -> bool:
    """Whether a piece is measured as a strip and not as a unit.

    It is where its width is that of an expected strip, within 6 mm, and it is longer than wide. Else a whole piece
    must be more than 4 times as long as wide and over 250 mm, one that runs on beyond the picture 2 times and over
    100 mm; and longer, by a fifth, than any expected unit.
    """
    ratio = rough.length_mm / rough.width_mm
    if any(abs(rough.width_mm - strip.width_mm) < WIDTH_MATCH_MM for strip in strips):
        return rough.cut_off or ratio > LEAST_RATIO_EXPECTED
    longest = max(
        (float(np.max(np.hypot(*(c[:, None] - c[None]).T))) for c in (u.corners_mm for u in units)), default=0
    )
    if rough.length_mm < LONGER_THAN_EXPECTED * longest:
        return False
    if rough.cut_off:
        return ratio > LEAST_RATIO_CUT_OFF and rough.length_mm > LEAST_LENGTH_CUT_OFF_MM
    return ratio > LEAST_RATIO and rough.length_mm > LEAST_LENGTH_MM


def _size_mm(corners: Floats) -> float:
    """The farthest that two corners (N, 2) lie apart."""
    return float(np.max(np.hypot(*(corners[:, None] - corners).T)))


@dataclass(frozen=True, eq=False, slots=True)
class _Frame:
    """Axes of a strip: t along it, w to the left of that, mm."""

    origin_mat_mm: Floats
    t: Floats
    w: Floats

    @staticmethod
    def along(axis: Floats, rim_mm: Floats) -> _Frame:
        return _Frame((rim_mm.min(axis=0) + rim_mm.max(axis=0)) / 2.0, axis, np.array([-axis[1], axis[0]]))

    def turned(self, way: float) -> _Frame:
        """The same, or seen from the other end."""
        return _Frame(self.origin_mat_mm, way * self.t, way * self.w)

    def of(self, points_mat_mm: Floats) -> tuple[Floats, Floats]:
        away = points_mat_mm - self.origin_mat_mm
        return away @ self.t, away @ self.w

    def mat(self, t: Floats, w: Floats) -> Floats:
        return np.asarray(self.origin_mat_mm + np.outer(t, self.t) + np.outer(w, self.w))


@dataclass(frozen=True, eq=False, slots=True)
class _Run:
    """One long side: w over t is a parabola, cloth at greater w; from `first` to `last` of the rim's points."""

    curve: Floats  # (3,) constant, t, t^2
    reach_mm: tuple[float, float]  # in t
    first: int
    last: int
    cut: tuple[bool, bool]  # whether it runs on beyond the picture there

    def line_at(self, t: Floats) -> Floats:
        return np.asarray(np.polynomial.polynomial.polyval(t, self.curve))

    @property
    def chord(self) -> tuple[Floats, Floats]:
        """t and w (2,) of the straight line that least squares lays through the curve."""
        t = np.array(self.reach_mm)
        rise = self.curve[2] * (t[1] - t[0]) ** 2 / 6.0  # of a parabola's ends over its mean
        return t, self.line_at(t) - rise

    @property
    def bend_mm(self) -> float:
        """Sag of the middle against the ends, positive outward (to smaller w)."""
        return float(self.curve[2]) * (self.reach_mm[1] - self.reach_mm[0]) ** 2 / 4.0


def _simplified(rim_mm: Floats) -> NDArray[np.int64]:
    """Numbers of the rim's points that are corners of its simplified outline, in order."""
    simple = cv2.approxPolyDP(rim_mm.astype(np.float32)[:, None], SIMPLIFY_MM, True)[:, 0]
    distance = [int(np.argmin(np.hypot(*(rim_mm - corner).T))) for corner in simple]
    return np.unique(np.array(distance, np.int64))


def _segments(rim_mm: Floats, corners: NDArray[np.int64], beyond: Bools) -> tuple[Floats, Floats]:
    """Start and end (S, 2) of the simplified outline's segments, without those at the picture's rim."""
    ends = np.roll(corners, -1)
    n = len(rim_mm)
    middles = (corners + ((ends - corners) % n) // 2) % n
    use = ~(beyond[middles] & (beyond[corners] | beyond[ends]))
    return rim_mm[corners[use]], rim_mm[ends[use]]


def _axis(rim_mm: Floats, corners: NDArray[np.int64], beyond: Bools) -> Floats | None:
    """(2,): the direction along which most of the rim runs."""
    start, end = _segments(rim_mm, corners, beyond)
    if not len(start):
        return None
    ahead = end - start
    lengths, doubled = np.hypot(*ahead.T), 2.0 * np.arctan2(ahead[:, 1], ahead[:, 0])
    off = np.abs(np.angle(np.exp(1j * (doubled[:, None] - doubled)))) / 2.0
    support = (off < SIDE_TURN_RAD) @ lengths
    near = off[int(np.argmax(support))] < SIDE_TURN_RAD
    mean = np.angle(np.sum(lengths[near] * np.exp(1j * doubled[near]))) / 2.0
    return np.array([math.cos(mean), math.sin(mean)])


def _run(frame: _Frame, rim_mm: Floats, corners: NDArray[np.int64], beyond: Bools) -> _Run | None:
    """The long side that runs about along t with cloth on its left: grown from the longest straight piece of rim."""
    start, end = _segments(rim_mm, corners, beyond)
    ahead = end - start
    along = (ahead @ frame.t > 0) & (np.abs(ahead @ frame.w) < math.tan(SIDE_TURN_RAD) * np.abs(ahead @ frame.t))
    if not np.any(along):
        return None
    longest = int(np.argmax(np.where(along, ahead @ frame.t, -np.inf)))
    t, w = frame.of(rim_mm)
    curve = np.append(np.polynomial.polynomial.polyfit(*frame.of(np.stack([start[longest], end[longest]])), 1), 0.0)
    ways = _ways(rim_mm, frame)
    fair = ~beyond & (ways > 0)
    for _ in range(ROUNDS):
        use = fair & (np.abs(w - np.polynomial.polynomial.polyval(t, curve)) < SIDE_MM)
        if np.count_nonzero(use) < 10:
            return None
        curve = np.asarray(np.polynomial.polynomial.polyfit(t[use], w[use], 2))
    on_it = np.flatnonzero(use)
    first, last = on_it[int(np.argmin(t[on_it]))], on_it[int(np.argmax(t[on_it]))]
    rim_t = rim_mm[beyond]
    cut = [bool(len(rim_t)) and float(np.min(np.hypot(*(rim_t - rim_mm[k]).T))) < CUT_OFF_MM for k in (first, last)]
    return _Run(curve, (float(t[first]), float(t[last])), int(first), int(last), (cut[0], cut[1]))


def _ways(rim_mm: Floats, frame: _Frame) -> Floats:
    """(N,) cosine of the rim's course to t where it runs about along it, else 0; over some pixels to either side."""
    ahead = np.roll(rim_mm, -5, axis=0) - np.roll(rim_mm, 5, axis=0)
    cosine = (ahead @ frame.t) / np.maximum(np.hypot(*ahead.T), 1e-9)
    return np.where(np.abs(cosine) > 0.9, cosine, 0.0)


def _strip(frame: _Frame, right: _Run, left: _Run, rim_mm: Floats, beyond: Bools) -> RoughStrip | None:
    """`right` is seen along t, `left` from the other end."""
    (t, w), (t_left, w_left) = right.chord, (-left.chord[0][::-1], -left.chord[1][::-1])
    slopes = [(w[1] - w[0]) / (t[1] - t[0]), (w_left[1] - w_left[0]) / (t_left[1] - t_left[0])]
    low, high = max(t[0], t_left[0]), min(t[1], t_left[1])
    if high <= low or abs(math.atan(slopes[0]) - math.atan(slopes[1])) > PARALLEL_RAD:
        return None
    middle = (low + high) / 2.0
    width_mm = float(np.interp(middle, t_left, w_left) - np.interp(middle, t, w))
    length_mm = float(t[1] - t[0] + t_left[1] - t_left[0]) / 2.0
    if width_mm < LEAST_PART_MM or not _fills(signed_area(rim_mm), width_mm, length_mm):
        return None
    cut_ahead, cut_behind = (right.cut[1], left.cut[0]), (right.cut[0], left.cut[1])
    ends = [
        _end(frame, rim_mm, beyond, start, end)
        for start, end, cut in ((right.last, left.first, cut_ahead), (left.last, right.first, cut_behind))
        if not any(cut)
    ]
    return RoughStrip(
        (frame.mat(t, w), frame.mat(t_left, w_left)[::-1]),
        (right.bend_mm, left.bend_mm),
        tuple(end for end in ends if end is not None),
        width_mm,
        length_mm,
        all(cut_ahead) or all(cut_behind),
    )


def _fills(area_mm2: float, width_mm: float, length_mm: float) -> bool:
    return FILLED < area_mm2 / (width_mm * length_mm) < 2.0 - FILLED


def _end(frame: _Frame, rim_mm: Floats, beyond: Bools, start: int, end: int) -> RoughEnd | None:
    """The rim from the end of one long side to the start of the other, without the steps along the strip."""
    numbers = np.arange(start, end + 1 if end >= start else end + 1 + len(rim_mm)) % len(rim_mm)
    if len(numbers) < 4 or np.mean(beyond[numbers]) > 0.1:
        return None
    parts = [part for part in _between_steps(frame, rim_mm[numbers]) if np.hypot(*(part[1] - part[0])) > LEAST_PART_MM]
    return RoughEnd(tuple(parts)) if parts else None


def _between_steps(frame: _Frame, rim_mm: Floats) -> Iterator[Floats]:
    """Straight lines (2, 2) through a rim (N, 2) across the strip, anew after each step along it."""
    knots = [0]
    for corner in cv2.approxPolyDP(rim_mm.astype(np.float32)[:, None], SIMPLIFY_MM, False)[1:, 0]:
        # A rim may come by the same place twice, as where a thread hangs out: its points are met in their order.
        ahead = int(np.argmin(np.hypot(*(rim_mm[knots[-1] :] - corner).T)))
        knots += [knots[-1] + ahead] if ahead else []
    stretches = list[tuple[int, int]]()  # of the rim, none of which is a step
    joined = False
    for a, b in pairwise(knots):
        ahead = rim_mm[b] - rim_mm[a]
        along, across = abs(float(ahead @ frame.t)), abs(float(ahead @ frame.w))
        if across < max(STEP_SLOPE * along, min(STEEPEST_STEP * along, ROUNDED_MM)):
            joined = joined and along < LEAST_STEP_MM
        elif stretches and (joined or _is_straight(rim_mm[stretches[-1][0] : b + 1])):
            stretches[-1] = (stretches[-1][0], b)
            joined = True
        else:
            stretches.append((a, b))
            joined = True
    yield from (_line_through(rim_mm[a : b + 1]) for a, b in stretches)


def _is_straight(points: Floats) -> bool:
    line = _line_through(points)
    along = (line[1] - line[0]) / max(float(np.hypot(*(line[1] - line[0]))), 1e-9)  # which comes back where it began
    return float(np.quantile(np.abs((points - line[0]) @ [along[1], -along[0]]), 0.9)) < SIMPLIFY_MM


def _line_through(points: Floats) -> Floats:
    """(2, 2): from about the first to the last of a row of points, the line that most of them lie on."""
    ends, weight = points[[0, -1]], np.ones(len(points))
    for _ in range(ROUNDS):
        centre = (points * weight[:, None]).sum(axis=0) / weight.sum()
        along = np.linalg.svd((points - centre) * np.sqrt(weight)[:, None], full_matrices=False)[2][0]
        along = along if float(along @ (ends[1] - ends[0])) > 0 else -along
        across = (points - centre) @ [along[1], -along[0]]
        weight = 1.0 / np.maximum(np.abs(across), 0.2)  # least absolute distances
    return np.asarray(centre + np.outer((ends - centre) @ along, along))
