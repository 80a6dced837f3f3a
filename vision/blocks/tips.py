"""Search a block's picture for the points of its star: where each point's two edges run, good to a pixel or two.

Nothing is told of the star but how many points it has. From the block's middle outwards, in every direction, the
picture leaves the star at the radius beyond which it looks like the block's rim and no longer unlike it; over the
directions that radius has as many peaks as the star has points, and each peak two straight flanks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.robust import MAD_TO_SD
from vision.finding.mat import Scene
from vision.polygons import depths, line_meeting, signed_area

Floats = NDArray[np.float64]

DIRECTIONS = 96  # a point
RIM_MM = 2.5  # this close to the block's own sides nothing is asked
BACKGROUND_MM = 3.0  # beyond that, so far inwards, the block shows the fabric behind the star: seam allowances do
UNLIKE, MOST_UNLIKE = 10.0, 40.0  # squared standard deviations from that fabric: cloth of the star, and no more counted
NINE_TENTHS, CHI2_NINE_TENTHS = 0.9, 6.25  # of the rim is that fabric: squared standard deviations of three channels
FLANK = (0.15, 0.9)  # of the way from the valley to the peak: where a flank is straight
FEWEST = 8  # directions that make a flank
LEAST_TIP_RAD = math.radians(4.0)


@dataclass(frozen=True, eq=False, slots=True)
class RoughTip:
    """One point: where its edges meet, and their far ends at the star's inner corners; seen from the middle."""

    tip_mat_mm: Floats  # (2,)
    right_mat_mm: Floats  # (2,) far end of the edge that lies clockwise
    left_mat_mm: Floats  # (2,)


def find_tips(scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, points: int) -> list[RoughTip] | None:
    """The star's points inside a convex outline (N, 2), counter-clockwise; None where the picture shows no star."""
    middle = _centroid(outline)
    reach_mm = _reach_mm(scene, camera, height_mm, outline, middle, points)
    if reach_mm is None:
        return None
    turns = np.arange(len(reach_mm)) * 2.0 * math.pi / len(reach_mm)
    # The peaks' common phase: that of the harmonic with so many periods in a full turn.
    phase = -float(np.angle(np.sum(reach_mm * np.exp(-1j * points * turns))))
    first = round(phase / points / (2.0 * math.pi) * len(reach_mm))
    tips = [_tip(reach_mm, turns, first + k * DIRECTIONS, middle) for k in range(points)]
    found = [tip for tip in tips if tip is not None]
    return found if len(found) == points else None


def _centroid(outline: Floats) -> Floats:
    """(2,): of the area (N >= 3)."""
    ahead = np.roll(outline, -1, axis=0)
    cross = outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1]
    return np.asarray(((outline + ahead) * cross[:, None]).sum(axis=0) / (6.0 * signed_area(outline)))


def _reach_mm(
    scene: Scene, camera: Pinhole, height_mm: float, outline: Floats, middle: Floats, points: int
) -> Floats | None:
    """How far the star reaches in each of `points` * DIRECTIONS directions."""
    step_mm = 1.0 / camera_px_per_mm(camera, middle, height_mm)
    turns = np.arange(points * DIRECTIONS) * 2.0 * math.pi / (points * DIRECTIONS)
    radii = np.arange(1.0, float(np.max(np.hypot(*(outline - middle).T))) / step_mm) * step_mm
    places = middle + radii[:, None, None] * np.column_stack([np.cos(turns), np.sin(turns)])
    depth = depths(places.reshape(-1, 2), outline).reshape(places.shape[:2])
    px = camera.px_from_mat(places.reshape(-1, 2), height_mm).reshape(*places.shape[:2], 2).astype(np.float32)
    x_px, y_px = np.ascontiguousarray(px[..., 0]), np.ascontiguousarray(px[..., 1])
    seen = np.asarray(cv2.remap(cv2.blur(scene.levels, (3, 3)), x_px, y_px, cv2.INTER_LINEAR), np.float64)
    unlike = _unlike(seen, places, depth, middle, np.maximum(scene.noise, scene.step) / 3.0)
    if unlike is None:
        return None
    score = np.where(depth > RIM_MM, np.minimum(unlike, MOST_UNLIKE) - UNLIKE, -UNLIKE)
    total = np.cumsum(score, axis=0)
    rows = np.where(total.max(axis=0) > 0.0, np.argmax(total, axis=0), 0)
    return radii[_half_way(np.sqrt(unlike), rows)]


def _half_way(unlike: Floats, rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """(T,): from where on each direction's (R, T) unlikeness stays below half of what it is within the star."""
    row = np.arange(len(unlike))[:, None]
    inside = (row > 0.5 * rows) & (row < 0.9 * rows)
    level = np.nanmedian(np.where(inside | (row == rows), unlike, np.nan), axis=0)
    above = (row <= rows) & (unlike > 0.5 * level)
    return np.asarray(len(unlike) - 1 - np.argmax(above[::-1], axis=0))


def camera_px_per_mm(camera: Pinhole, place_mat_mm: Floats, height_mm: float) -> float:
    """Pixels a millimetre at a place (2,) of that height, the mean over directions."""
    corners = camera.px_from_mat(place_mat_mm + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), height_mm)
    return math.sqrt(abs(float(np.linalg.det(corners[1:] - corners[0]))))


def _unlike(seen: Floats, places: Floats, depth: Floats, middle: Floats, floor: Floats) -> Floats | None:
    """Squared distance of levels (R, T, 3) from the fabric along the rim, whose light may change across the block."""
    rim = (depth > RIM_MM) & (depth < RIM_MM + BACKGROUND_MM)
    if np.count_nonzero(rim) < 100:
        return None
    scaled = (places - middle) / float(np.max(np.abs(places - middle)))
    terms = np.stack([np.ones(depth.shape), *np.moveaxis(scaled, -1, 0), *np.moveaxis(scaled, -1, 0) ** 2], axis=-1)
    terms = np.concatenate([terms, scaled[..., :1] * scaled[..., 1:]], axis=-1)
    use = np.flatnonzero(rim.ravel())
    flat, levels = terms.reshape(-1, 6), seen.reshape(-1, 3)
    fitted, error = np.zeros((6, 3)), np.zeros((0, 3))
    for _ in range(4):
        fitted = np.linalg.lstsq(flat[use], levels[use], rcond=None)[0]
        error = levels[use] - flat[use] @ fitted
        spread = MAD_TO_SD * np.median(np.abs(error), axis=0) + floor
        use = use[np.all(np.abs(error) < 4.0 * spread, axis=1)]
    inverse = np.linalg.inv(np.cov(error.T) + np.diag(floor**2))
    rest = seen - terms @ fitted
    unlike = np.asarray(np.einsum("rtc,cd,rtd->rt", rest, inverse, rest))
    # Compression leaves most pixels as they are and some far off, and these have been taken for another fabric.
    return unlike / max(1.0, float(np.quantile(unlike[rim], NINE_TENTHS)) / CHI2_NINE_TENTHS)


def _tip(reach_mm: Floats, turns: Floats, peak: int, middle: Floats) -> RoughTip | None:
    """The point about direction number `peak`, its flanks half a point's share of directions to either side."""
    half = DIRECTIONS // 2
    index = np.arange(peak - half, peak + half + 1) % len(reach_mm)
    reach = np.asarray(cv2.medianBlur(reach_mm[index].astype(np.float32)[:, None], 5)[:, 0], np.float64)
    top = int(np.argmax(reach[half // 2 : -half // 2])) + half // 2
    places = middle + reach_mm[index, None] * np.column_stack([np.cos(turns[index]), np.sin(turns[index])])
    flanks = []
    for part, valley in ((slice(0, top), reach[:5]), (slice(top + 1, None), reach[-5:])):
        low = float(np.median(valley))
        share = (reach_mm[index][part] - low) / max(float(reach[top]) - low, 1e-6)
        use = (share > FLANK[0]) & (share < FLANK[1])
        if np.count_nonzero(use) < FEWEST:
            return None
        flanks.append(_line(places[part][use], middle))
    (right, right_end), (left, left_end) = flanks
    meeting = line_meeting(right, right_end, left, left_end)
    if meeting is None:
        return None
    ways = np.array([right_end, left_end]) - meeting
    turn = float(np.linalg.det(ways / np.hypot(*ways.T)[:, None]))
    # From the tip the clockwise edge comes after the other one, going round counter-clockwise.
    return RoughTip(meeting, right_end, left_end) if -turn > math.sin(LEAST_TIP_RAD) else None


def _line(places: Floats, middle: Floats) -> tuple[Floats, Floats]:
    """Two points of the robust line through places (N, 2): its outer end and the one nearer to the middle."""
    fitted = np.asarray(cv2.fitLine(places.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01), np.float64).ravel()
    along, foot = fitted[:2], fitted[2:]
    places_along = (places - foot) @ along
    ends = foot + along * np.array([[places_along.min()], [places_along.max()]])
    inner, outer = sorted(ends, key=lambda end: float(np.hypot(*(end - middle))))
    return outer, inner
