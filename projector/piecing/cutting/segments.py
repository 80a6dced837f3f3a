"""Rows of patches that can be cut, many at a time, from strips sewn side by side: segments of a strip set.

A piece is a segment where its patches lie one above the other between two parallel cuts, with parallel seams between
them. Laid with its seams along x it is described by the strips from the lower edge up, the angle of the cuts and
their lean, as a strip set lies on the mat. One patch with two pairs of parallel sides is a segment of one strip.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.patchwork.patches import Patch
from projector.piecing.shapes import Lean

Floats = NDArray[np.float64]

NEAR_MM = 1e-5
SQUARE_RAD = 1e-9  # a cut this near to a right angle is square


@dataclass(frozen=True, slots=True)
class Band:
    """What one strip of a set shows once it is sewn: `height_mm` between its two seams."""

    fabric: str
    height_mm: float


@dataclass(frozen=True, slots=True)
class Segment:
    """A row of patches between two parallel cuts `width_mm` apart (finished) at `angle_rad` to the seams."""

    bands: tuple[Band, ...]  # from the lower edge up
    width_mm: float
    angle_rad: float  # in (0, pi/2]
    lean: Lean  # where the upper ends of the cuts lie

    @property
    def height_mm(self) -> float:
        """Between the outer strip edges, finished."""
        return sum(band.height_mm for band in self.bands)

    def step_mm(self, band: int) -> float:
        """How far the seam above a band lies beyond the one below it along the strip: the exact stagger."""
        return self.bands[band].height_mm / math.tan(self.angle_rad) if self.angle_rad < math.pi / 2 else 0.0


def segment_of(outline_mm: Floats, patches: Sequence[Patch]) -> Segment | None:
    """The segment that a piece is, by its finished outline (N, 2) and its patches; None where it is none.

    Of a patch with two ways to lie, the one with the narrower strip is taken: it wastes less at a strip's ends.
    """
    if len(outline_mm) != 4:
        return None
    ways = [_lying(outline_mm, patches, side) for side in (0, 1)]
    found = [way for way in ways if way is not None]
    return min(found, key=lambda s: (round(s.height_mm, 6), s.lean), default=None)


def _lying(outline: Floats, patches: Sequence[Patch], side: int) -> Segment | None:
    """The piece as a segment with side `side` of its outline along the strip's lower edge."""
    start, end = outline[side], outline[(side + 1) % 4]
    along = (end - start) / math.hypot(*(end - start))
    turn = np.array([[along[0], along[1]], [-along[1], along[0]]])
    corners = (outline - start) @ turn.T
    a, b, c, d = np.roll(corners, -side, axis=0)
    if abs(c[1] - d[1]) > NEAR_MM or np.hypot(*((b - a) - (c - d))) > NEAR_MM:
        return None  # not a parallelogram
    lengths = float(b[0] - a[0])
    slope = float(d[0] - a[0]) / float(d[1])  # along x per y of the cuts
    bands = []
    for patch in patches:
        own = (patch.corners_mm - start) @ turn.T
        band = _band(own, slope, lengths)
        if band is None:
            return None
        bands.append((band, patch.fabric))
    bands.sort()
    heights = [high - low for (low, high), _ in bands]
    if any(abs(one[0][1] - other[0][0]) > NEAR_MM for one, other in itertools.pairwise(bands)):
        return None
    angle = math.atan2(1.0, abs(slope)) if abs(slope) > SQUARE_RAD else math.pi / 2
    lean: Lean = "left" if slope < -SQUARE_RAD else "right"
    rows = tuple(Band(fabric, height) for height, (_, fabric) in zip(heights, bands, strict=True))
    # Turned by half a turn it is the same segment, its strips in the other order.
    rows = min(rows, rows[::-1], key=lambda order: [(band.fabric, round(band.height_mm, 6)) for band in order])
    return Segment(rows, lengths * math.sin(angle), angle, lean)


def _band(corners: Floats, slope: float, length_mm: float) -> tuple[float, float] | None:
    """(lowest, highest) of a patch that spans from cut to cut; None where it does not."""
    low, high = float(corners[:, 1].min()), float(corners[:, 1].max())
    wanted = [
        (low * slope, low),
        (low * slope + length_mm, low),
        (high * slope + length_mm, high),
        (high * slope, high),
    ]
    turns = [corner for i, corner in enumerate(corners) if not _is_straight(corners, i)]
    if len(turns) != 4:
        return None
    near = all(min(math.dist(corner, place) for corner in turns) < NEAR_MM for place in wanted)
    return (low, high) if near else None


def _is_straight(corners: Floats, i: int) -> bool:
    before, at, after = corners[i - 1], corners[i], corners[(i + 1) % len(corners)]
    one, other = at - before, after - at
    return bool(abs(one[0] * other[1] - one[1] * other[0]) < NEAR_MM * math.hypot(*(after - before)))
