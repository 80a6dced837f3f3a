"""How much of each pixel a line or a polygon covers, in the pixels of any target.

Coverage is what a tent of two pixels' width collects: the share of the pixel at (n, m) is the area under
max(0, 1 - |distance|) across the edge. A tent repeats straight lines (the sum of n * tent(x - n) over all n
is x), so the centre of light of a line stays where the line is, whatever its width and place between the
pixels; the plain area of a pixel would pull a thin line up to half a pixel towards a pixel's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH_PX = 1.0  # half the tent's width
BATCH = 2_000_000  # pixels looked at in one go


@dataclass(frozen=True, eq=False, slots=True)
class Coverage:
    """Pixels touched, as flat indices of a (height, width) picture, each once, and the share of each."""

    at: Ints
    share: Floats


NOTHING = Coverage(np.empty(0, np.int64), np.empty(0))


@dataclass(frozen=True, eq=False, slots=True)
class Segments:
    """Straight pieces in pixels, each with its half width at both ends."""

    starts_px: Floats  # (S, 2)
    ends_px: Floats  # (S, 2)
    half_starts_px: Floats  # (S,)
    half_ends_px: Floats  # (S,)

    def part(self, which: slice | NDArray[np.bool_]) -> Segments:
        return Segments(
            self.starts_px[which], self.ends_px[which], self.half_starts_px[which], self.half_ends_px[which]
        )


def below(distance_px: Floats) -> Floats:
    """The share of a tent that lies below `distance_px` from its middle: 0 at -1, 1/2 at 0, 1 at +1."""
    d = np.clip(distance_px, -REACH_PX, REACH_PX)
    return np.where(d < 0.0, 0.5 * (1.0 + d) ** 2, 1.0 - 0.5 * (1.0 - d) ** 2)


def lines_coverage(segments: Segments, size_px: tuple[int, int]) -> Coverage:
    """Coverage of a line made of segments with round ends; where they meet, the greater share counts."""
    picture = np.zeros(size_px[0] * size_px[1])
    for at, distance, half in _near(segments, size_px):
        np.maximum.at(picture, at, below(half + distance) - below(distance - half))
    touched = np.flatnonzero(picture)
    return Coverage(touched, picture[touched])


def polygon_coverage(corners_px: Floats, size_px: tuple[int, int]) -> Coverage:
    """Coverage of a simple polygon with corners (N, 2) in any order of turning."""
    width, height = size_px
    x, y = _pixels_around(corners_px, size_px)
    if x.size == 0:
        return NOTHING
    none = np.zeros(len(corners_px))
    edge_distance = np.full(width * height, np.inf)
    edges = Segments(corners_px, np.roll(corners_px, -1, axis=0), none, none)
    for at, distance, _ in _near(edges, size_px):
        np.minimum.at(edge_distance, at, distance)
    outline = shapely.Polygon(corners_px)
    shapely.prepare(outline)
    inside = shapely.contains_xy(outline, x.astype(float), y.astype(float))
    at = y * width + x
    share = below(np.where(inside, edge_distance[at], -edge_distance[at]))
    return Coverage(at[share > 0.0], share[share > 0.0])


def _in_sight(segments: Segments, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Which segments may touch the picture; none whose place or width is not known (NaN)."""
    reach = (np.maximum(segments.half_starts_px, segments.half_ends_px) + REACH_PX)[:, None]
    low = np.minimum(segments.starts_px, segments.ends_px) - reach
    high = np.maximum(segments.starts_px, segments.ends_px) + reach
    return np.asarray(np.all((high >= 0.0) & (low <= np.array(size_px) - 1.0), axis=1))


def _pixels_around(points_px: Floats, size_px: tuple[int, int]) -> tuple[Ints, Ints]:
    """Columns and rows of all pixels of the picture within reach of the box of points; none if unknown."""
    if len(points_px) < 3 or not np.isfinite(points_px).all():
        return np.empty(0, np.int64), np.empty(0, np.int64)
    low = np.floor(points_px.min(axis=0) - REACH_PX)
    high = np.ceil(points_px.max(axis=0) + REACH_PX)
    x, y = np.meshgrid(
        np.arange(max(low[0], 0), min(high[0], size_px[0] - 1) + 1, dtype=np.int64),
        np.arange(max(low[1], 0), min(high[1], size_px[1] - 1) + 1, dtype=np.int64),
    )
    return x.ravel(), y.ravel()


def _near(segments: Segments, size_px: tuple[int, int]) -> list[tuple[Ints, Floats, Floats]]:
    """For pixels near each segment: flat index, distance to the segment, half width at the nearest point."""
    segments = segments.part(_in_sight(segments, size_px))
    if len(segments.starts_px) == 0:
        return []
    reach = np.maximum(segments.half_starts_px, segments.half_ends_px) + REACH_PX
    low = np.floor(np.minimum(segments.starts_px, segments.ends_px) - reach[:, None]).astype(int)
    high = np.ceil(np.maximum(segments.starts_px, segments.ends_px) + reach[:, None]).astype(int)
    columns, rows = (high - low).max(axis=0) + 1
    batch = max(1, BATCH // int(columns * rows))
    slices = [slice(n, n + batch) for n in range(0, len(low), batch)]
    return [_tile(segments.part(which), low[which], (int(columns), int(rows)), size_px) for which in slices]


def _tile(
    segments: Segments, low: Ints, tile_px: tuple[int, int], size_px: tuple[int, int]
) -> tuple[Ints, Floats, Floats]:
    """`_near` of segments whose tiles, all of one size, start at `low`."""
    x = low[:, 0, None, None] + np.arange(tile_px[0])[None, None, :]
    y = low[:, 1, None, None] + np.arange(tile_px[1])[None, :, None]
    along = segments.ends_px - segments.starts_px
    dx, dy = x - segments.starts_px[:, 0, None, None], y - segments.starts_px[:, 1, None, None]
    ax, ay = along[:, 0, None, None], along[:, 1, None, None]
    t = np.clip((dx * ax + dy * ay) / np.maximum(ax * ax + ay * ay, 1e-12), 0.0, 1.0)
    distance = np.hypot(dx - t * ax, dy - t * ay)
    start, end = segments.half_starts_px[:, None, None], segments.half_ends_px[:, None, None]
    half = start + t * (end - start)
    width, height = size_px
    near = (distance < half + REACH_PX) & (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return (y * width + x)[near], distance[near], half[near]
