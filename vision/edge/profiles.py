"""How luma runs across straight parts of cloth's rim, before anything is fitted: averaged along them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edge.encoding import YCC_OF_BGR, Encoder
from vision.mat import BGR_OF_LEVELS, Scene
from vision.polygons import signed_area
from vision.regions import Region

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_PX, FIRST_PX, LAST_PX = 0.25, -9.0, 0.75  # outward; farther out shadows lie
CENTRES_PX = np.arange(FIRST_PX + BIN_PX / 2.0, LAST_PX, BIN_PX)
REACH_PX = 12  # across
STRAIGHT_PX = 2.0  # so far a contour runs from a straight part of it
ENDS_PX = 12.0  # left out: there is a corner
LEAST_PX, MOST_PX = 30, 400  # of a part's length
MOST_PARTS = 40
LEAST_STEP = 0.08  # of luma, that an edge stands out by
OUTLYING = 3.5  # standard deviations, of a crossing off its line or of the bare mat off its median
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


def profiles_of(scene: Scene, regions: Sequence[Region], encoder: Encoder) -> Profiles:
    """Of the longest straight parts of the rims of `regions` that stand out from the mat."""
    parts = sorted((part for region in regions for part in _straight_parts(region)), key=lambda part: -_length(part))
    found = [one for part in parts[:MOST_PARTS] if (one := _profile(scene, part, encoder)) is not None]
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


def _profile(scene: Scene, part: Floats, encoder: Encoder) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Luma, its variance, cloth and mat across one edge; None where none stands out."""
    major = int(abs(part[1, 1] - part[0, 1]) > abs(part[1, 0] - part[0, 0]))
    start, end = part[np.argsort(part[:, major])]
    steps = np.arange(np.ceil(start[major]), np.floor(end[major]) + 1).astype(np.int64)[:MOST_PX]
    slope = (end[1 - major] - start[1 - major]) / (end[major] - start[major])
    stretch = float(np.hypot(1.0, slope))
    reach = int(np.ceil(REACH_PX * stretch))
    middle = np.rint(start[1 - major] + slope * (steps - start[major])).astype(np.int64)
    minor = middle[:, None] + np.arange(-reach, reach + 1)
    x, y = (minor, steps[:, None] + 0 * minor) if major else (steps[:, None] + 0 * minor, minor)
    height, width = scene.levels.shape[:2]
    if x.min() < 0 or y.min() < 0 or x.max() >= width or y.max() >= height:
        return None
    # Parts run clockwise to the eye, x to y: outward is (along y, - along x).
    along = part[1] - part[0]
    outward = np.sign(-along[0] if major == 0 else along[1])
    seen = encoder.encode(scene.levels[y, x].astype(np.float64) @ BGR_OF_LEVELS.T)[0]
    bare = encoder.encode(scene.bare[y, x].astype(np.float64) @ BGR_OF_LEVELS.T)[0]
    luma, bare_luma = seen @ YCC_OF_BGR[0], bare @ YCC_OF_BGR[0]
    if outward < 0:
        minor, luma, bare_luma, seen, bare = (a[:, ::-1] for a in (minor, luma, bare_luma, seen, bare))
    cloth, mat = np.median(seen[:, : reach // 2], axis=(0, 1)), np.median(bare[:, reach + 1 :], axis=(0, 1))
    levels = float(cloth @ YCC_OF_BGR[0]), float(mat @ YCC_OF_BGR[0])
    if abs(levels[0] - levels[1]) < LEAST_STEP:
        return None
    across = _across(luma, minor * outward, levels, stretch)
    if across is None:
        return None
    off = np.abs(bare_luma - np.median(bare_luma))
    use = off <= OUTLYING * 1.4826 * np.median(off) + 1.0 / 255.0  # no grid line
    use &= (across > FIRST_PX) & (across < LAST_PX)
    bins = np.floor((across[use] - FIRST_PX) / BIN_PX).astype(np.int64)
    count = np.bincount(bins, minlength=len(CENTRES_PX))
    if count.min() < FEWEST:
        return None
    mean = np.bincount(bins, luma[use]) / count
    variance = np.bincount(bins, (luma[use] - mean[bins]) ** 2) / (count - 1.0) / count
    flat = seen[(across > FIRST_PX) & (across < FLAT_PX)]
    return mean, variance, np.median(flat, axis=0), mat


def _across(luma: Floats, outward: Ints, levels: tuple[float, float], stretch: float) -> Floats | None:
    """(T, R) distance outward from the line (bowed a little) where rows (T, R) cross half way between two levels."""
    share = (luma - levels[1]) / (levels[0] - levels[1])  # 1 on the cloth
    crosses = (share[:, :-1] >= 0.5) & (share[:, 1:] < 0.5)
    rows = np.flatnonzero(crosses.any(axis=1))
    if len(rows) < LEAST_PX:
        return None
    middle = luma.shape[1] // 2
    nearest = np.argmin(np.where(crosses[rows], np.abs(np.arange(crosses.shape[1]) - middle), 99), axis=1)
    a, b = share[rows, nearest], share[rows, nearest + 1]
    place = outward[rows, nearest] + (a - 0.5) / (a - b)
    t = np.linspace(-1.0, 1.0, len(luma))
    keep = np.ones(len(rows), bool)
    for _ in range(4):
        line = np.polyfit(t[rows[keep]], place[keep], 2)
        off = place - np.polyval(line, t[rows])
        spread = 1.4826 * float(np.median(np.abs(off[keep]))) + 1e-3
        keep = np.abs(off - np.median(off[keep])) < OUTLYING * spread
        if np.count_nonzero(keep) < LEAST_PX:
            return None
    tilt = np.polyval(np.polyder(line), t) * 2.0 / max(len(luma) - 1, 1)
    return np.asarray((outward - np.polyval(line, t)[:, None]) / np.hypot(1.0, tilt)[:, None])
