"""How luma runs across straight parts of cloth's rim, before anything is fitted: averaged along them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edge.encoding import YCC_OF_BGR, Encoder
from vision.light import BGR_OF_LEVELS
from vision.mat import Scene
from vision.medians import median, medians
from vision.polygons import signed_area
from vision.regions import Region

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_PX, FIRST_PX, LAST_PX = 0.25, -9.0, 0.75  # outward; farther out shadows lie
CENTRES_PX = np.arange(FIRST_PX + BIN_PX / 2.0, LAST_PX, BIN_PX)
INSIDE_PX, OUTSIDE_PX = 11.0, 4.0  # what is looked at
STRAIGHT_PX = 2.0  # so far a contour runs from a straight part of it
ENDS_PX = 12.0  # left out: there is a corner
LEAST_PX = 30  # of a part's length
LEAST_STEP = 0.08  # of luma, that an edge stands out by
OUTLYING = 3.5  # standard deviations, of a crossing off its line or of the bare mat off its median
PRINTED, PRINTED_OVER = 0.04, 1.5  # of the step, and of what neighbouring pixels differ
FEWEST = 6  # pixels in a bin
FLAT_PX = -4.5  # farther inside, cloth is level whatever the camera does at its edge


@dataclass(frozen=True, eq=False, slots=True)
class Profiles:
    """Luma, encoded and 0 to 1, across S straight edges at `CENTRES_PX` outward of each, cloth inside."""

    luma: Floats  # (S, K)
    variance: Floats  # (S, K) of it, from how pixels scatter along the edge
    cloth: Floats  # (S, 3) encoded blue green red well inside
    mat: Floats  # (S, 3) of the bare mat beside it

    @property
    def step(self) -> Floats:
        """(S,) of luma, from the mat to the cloth."""
        return np.asarray((self.cloth - self.mat) @ YCC_OF_BGR[0])


def profiles_of(scene: Scene, regions: Sequence[Region], encoder: Encoder, most_parts: int, most_px: int) -> Profiles:
    """Of the longest straight parts of the rims of `regions` that stand out from the mat, so many px of each."""
    parts = sorted((part for region in regions for part in _straight_parts(region)), key=lambda part: -_length(part))
    found = [one for part in parts[:most_parts] if (one := _profile(scene, part, encoder, most_px)) is not None]
    if not found:
        none = np.empty((0, len(CENTRES_PX)))
        return Profiles(none, none, np.empty((0, 3)), np.empty((0, 3)))
    luma, variance, cloth, mat = (np.array(each) for each in zip(*found, strict=True))
    return Profiles(luma, variance, cloth, mat)


def _length(part: Floats) -> float:
    return float(np.hypot(*(part[1] - part[0])))


def _straight_parts(region: Region) -> list[Floats]:
    """Two ends (2, 2) in px of each, clear of corners; all run the same way around the cloth."""
    if len(region.contour_px) < 3:
        return []
    rim = cv2.approxPolyDP(region.contour_px.astype(np.float32)[:, None], STRAIGHT_PX, True)[:, 0].astype(np.float64)
    if signed_area(rim) < 0.0:
        rim = rim[::-1]
    parts = []
    for start, end in zip(rim, np.roll(rim, -1, axis=0), strict=True):
        length = float(np.hypot(*(end - start)))
        if length - 2.0 * ENDS_PX >= LEAST_PX:
            along = (end - start) / length
            parts.append(np.array([start + along * ENDS_PX, end - along * ENDS_PX]))
    return parts


def _profile(
    scene: Scene, part: Floats, encoder: Encoder, most_px: int
) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Luma, its variance, cloth and mat across one edge; None where none stands out."""
    major = int(abs(part[1, 1] - part[0, 1]) > abs(part[1, 0] - part[0, 0]))
    start, end = part[np.argsort(part[:, major])]
    steps = np.arange(np.ceil(start[major]), np.floor(end[major]) + 1).astype(np.int64)[:most_px]
    slope = (end[1 - major] - start[1 - major]) / (end[major] - start[major])
    stretch = math.hypot(1.0, slope)
    # Parts run clockwise to the eye, x to y: outward is (along y, - along x).
    along = part[1] - part[0]
    outward = 1 if (along[1] if major else -along[0]) > 0 else -1
    reach = np.arange(-math.ceil(INSIDE_PX * stretch), math.ceil(OUTSIDE_PX * stretch) + 1)
    middle = np.rint(start[1 - major] + slope * (steps - start[major])).astype(np.int64)
    minor, along_px = middle[:, None] + outward * reach, np.repeat(steps[:, None], len(reach), axis=1)
    x, y = (minor, along_px) if major else (along_px, minor)
    height, width = scene.levels.shape[:2]
    if x.min() < 0 or y.min() < 0 or x.max() >= width or y.max() >= height:
        return None
    seen = encoder.nearest(scene.levels[y, x] @ BGR_OF_LEVELS.T.astype(np.float32))[0].astype(np.float64)
    beside = scene.bare[y, x].astype(np.float64)
    mat = encoder.encode(medians(beside) @ BGR_OF_LEVELS.T)[0]
    luma, inside = seen @ YCC_OF_BGR[0], reach < FLAT_PX * stretch
    cloth = medians(seen[:, inside])
    levels = float(cloth @ YCC_OF_BGR[0]), float(mat @ YCC_OF_BGR[0])
    if abs(levels[0] - levels[1]) < LEAST_STEP:
        return None
    if _is_printed(luma[:, inside], levels[0] - levels[1]):
        return None
    across = _across(luma, minor * outward, levels, int(np.argmin(np.abs(reach))))
    if across is None:
        return None
    off = np.abs(beside[..., 0] - median(beside[..., 0]))
    use = off <= OUTLYING * 1.4826 * median(off) + 1.0 / 255.0  # no grid line
    use &= (across > FIRST_PX) & (across < LAST_PX)
    bins = np.floor((across[use] - FIRST_PX) / BIN_PX).astype(np.int64)
    count = np.bincount(bins, minlength=len(CENTRES_PX))
    if count.min() < FEWEST:
        return None
    mean = np.bincount(bins, luma[use]) / count
    variance = np.bincount(bins, (luma[use] - mean[bins]) ** 2) / (count - 1.0) / count
    return mean, variance, medians(seen[(across > FIRST_PX) & (across < FLAT_PX)]), mat


def _is_printed(luma: Floats, step: float) -> bool:
    """Whether cloth (T, R) varies beside an edge of that step by more than noise and weave, which change at once."""
    spread, at_once = float(luma.std()), float(np.diff(luma, axis=0).std()) / math.sqrt(2.0)
    return spread > PRINTED * abs(step) and spread > PRINTED_OVER * at_once


def _across(luma: Floats, outward: Ints, levels: tuple[float, float], middle: int) -> Floats | None:
    """(T, R) distance outward from the line (bowed a little) where rows (T, R) cross half way between two levels."""
    share = (luma - levels[1]) / (levels[0] - levels[1])  # 1 on the cloth
    crosses = (share[:, :-1] >= 0.5) & (share[:, 1:] < 0.5)
    rows = np.flatnonzero(crosses.any(axis=1))
    if len(rows) < LEAST_PX:
        return None
    nearest = np.argmin(np.where(crosses[rows], np.abs(np.arange(crosses.shape[1]) - middle), 99), axis=1)
    a, b = share[rows, nearest], share[rows, nearest + 1]
    place = outward[rows, nearest] + (a - 0.5) / (a - b)
    t = np.linspace(-1.0, 1.0, len(luma))
    keep = np.ones(len(rows), bool)
    terms = np.stack([np.ones_like(t), t, t * t])
    for _ in range(3):
        used = terms[:, rows[keep]]
        line = np.linalg.solve(used @ used.T, used @ place[keep])
        off = place - line @ terms[:, rows]
        middle_off = median(off[keep])
        spread = 1.4826 * median(np.abs(off[keep] - middle_off)) + 1e-3
        keep = np.abs(off - middle_off) < OUTLYING * spread
        if np.count_nonzero(keep) < LEAST_PX:
            return None
    tilt = (line[1] + 2.0 * line[2] * t) * 2.0 / (len(luma) - 1)
    return np.asarray((outward - (line @ terms)[:, None]) / np.hypot(1.0, tilt)[:, None])
