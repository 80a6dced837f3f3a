"""Patches that straight cuts across a strip give: two parallel sides on the strip's edges, or a triangle's base.

Every second patch is turned by half a turn, so that neighbours share a cut: nothing is lost between them. With the
raw lengths a and b of the sides on the strip's edges (b = 0 for a triangle) and p = (a + b) / 2, n of them reach along
the strip over n p + (run of the first cut) if n is even, (n - 1) p + (reach of one patch) if it is odd: plane geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.patchwork.raw import grown

Floats = NDArray[np.float64]

NEAR_MM = 1e-5
ON_GRAIN_RAD = 1e-6
HAIR = 1e-9  # granted, so that a strip of just the right length is not refused for rounding


@dataclass(frozen=True, eq=False, slots=True)
class StraightPatch:
    """A raw patch as it lies on its strip, side 0 on the lower edge from the origin along x, counter-clockwise.

    Corners (3 or 4, 2). Its other side on a strip edge, if any, is side 2.
    """

    corners_mm: Floats
    bias_mm: float  # length of its sides that lie neither along nor across the strip: they stretch

    @property
    def strip_mm(self) -> float:
        """The width of the strip it is cut from."""
        return float(self.corners_mm[:, 1].max())

    @property
    def lower_mm(self) -> float:
        return float(self.corners_mm[1, 0] - self.corners_mm[0, 0])

    @property
    def upper_mm(self) -> float:
        return float(self.corners_mm[2, 0] - self.corners_mm[3, 0]) if len(self.corners_mm) == 4 else 0.0

    @property
    def pitch_mm(self) -> float:
        """How much of a strip each further patch takes."""
        return (self.lower_mm + self.upper_mm) / 2.0

    @property
    def upright(self) -> bool:
        """Whether the first patch of a row lies as it is drawn, or turned: whichever first cut runs less far."""
        return self._runs()[0] <= self._runs()[1]

    def reach_mm(self, n: int) -> float:
        """How much of a strip's length n patches span."""
        if n % 2 == 0:
            return n * self.pitch_mm + min(self._runs())
        return (n - 1) * self.pitch_mm + float(np.ptp(self.corners_mm[:, 0]))

    def truing_mm(self, margin_mm: float) -> float:
        """How much of a strip's length goes where its first end is trued `margin_mm` inside the raw end."""
        return margin_mm * math.hypot(min(self._runs()), self.strip_mm) / self.strip_mm

    def per_strip(self, length_mm: float, margin_mm: float) -> int:
        """How many a strip gives, its first end trued by `margin_mm`, its last end raw and square."""
        room = length_mm - self.truing_mm(margin_mm)
        even = 2 * math.floor((room - self.reach_mm(0)) / (2.0 * self.pitch_mm) + HAIR)
        odd = 2 * math.floor((room - self.reach_mm(1)) / (2.0 * self.pitch_mm) + HAIR) + 1
        return max(0, even, odd)

    def row_mm(self, n: int) -> list[Floats]:
        """The n patches (K, 2) of a row, each second one turned, in the strip's frame; the row begins at x = 0."""
        own = self.corners_mm
        turned = own[1] + own[2] - own
        before = own[0] + own[-1] - own  # on the other side of the left cut
        first, second = (own, turned) if self.upright else (before, own)
        pair = np.array([self.lower_mm + self.upper_mm, 0.0])
        row = [(first if k % 2 == 0 else second) + k // 2 * pair for k in range(n)]
        start = min((float(patch[:, 0].min()) for patch in row), default=0.0)
        return [patch - [start, 0.0] for patch in row]

    def _runs(self) -> tuple[float, float]:
        """How far the left and the right cut run along the strip."""
        left, right = self.corners_mm[-1] - self.corners_mm[0], self.corners_mm[2] - self.corners_mm[1]
        return abs(float(left[0])), abs(float(right[0]))


def straight_patches(finished_mm: Floats, allowance_mm: float, grain_rad: float | None = None) -> list[StraightPatch]:
    """Every way in which straight cuts across a strip give a patch, by its finished corners (N, 2); [] if none does.

    With a grain (in the patch's frame) only those in which it lies on the straight grain, across or along the strip:
    the trade takes either for a side that must not stretch (common practice).
    """
    raw = grown(finished_mm, allowance_mm)
    n = len(raw)
    if n not in (3, 4):
        return []
    ways = []
    for side in range(n):
        start, end = raw[side], raw[(side + 1) % n]
        along = (end - start) / math.hypot(*(end - start))
        if grain_rad is not None:
            off = (grain_rad - math.atan2(along[1], along[0])) % (math.pi / 2.0)
            if min(off, math.pi / 2.0 - off) > ON_GRAIN_RAD:
                continue
        turn = np.array([[along[0], along[1]], [-along[1], along[0]]])
        lying = np.roll((raw - start) @ turn.T, -side, axis=0)
        if n == 4 and abs(lying[2, 1] - lying[3, 1]) > NEAR_MM:
            continue
        lying[:2, 1] = 0.0
        if n == 4:
            lying[2:, 1] = (lying[2, 1] + lying[3, 1]) / 2.0
        if lying[2, 1] > NEAR_MM:
            ways.append(StraightPatch(lying, _bias_mm(lying)))
    return ways


def _bias_mm(corners: Floats) -> float:
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*edges.T)
    off = np.minimum(np.abs(edges[:, 0]), np.abs(edges[:, 1])) / lengths
    return float(lengths[off > ON_GRAIN_RAD].sum())
