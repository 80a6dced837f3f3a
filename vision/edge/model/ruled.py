"""Ruled lines of the mat that run along a side of cloth, cut exactly.

Where cloth covers part of a printed line, the blurred product of mat and mask is not near the product of the blurred
two, nor soon reached by a series from there: an edge on a line's own edge would be a tenth of a pixel off. So a line is
taken for what it is, a bar of even light between two straight edges, and the light of the part that cloth leaves bare
is that of a narrower bar. A bar's place, mass and variance across are read from the bare mat's picture
(`vision.edge.model.barsearch`); how wide it is then follows from the blur, as a box of width w behind a blur s has the
variance s^2 + w^2 / 12.

A line that crosses a side at an angle needs nothing of this: its errors cancel along the side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_WIDTH2 = 0.1  # px^2; narrower bars cannot be told from lines without width
STEP = 1e-3
ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, eq=False, slots=True)
class Bars:
    """The pixels that show bars along sides: which of a window's they are, and what they show.

    A bar's light over the mat's beside it is `light` over its width, behind the blur.
    """

    pixels: Ints  # (K,) of the window
    away_px: Floats  # (K,) outward of the bar's middle
    away_u_px: Floats  # (K,)
    variance: Floats  # (K,) px^2, of the bar as it is seen
    variance_u: Floats  # (K,)
    slope: Floats  # (K,) of its profile outward per px, as differences of pixels show it
    light: Floats  # (3, K) linear blue green red, times px

    def beside(self, side: Ints, count: int) -> NDArray[np.bool_]:
        """(S,) which of `count` sides have a bar; `side` (N,) are the sides of the window's pixels."""
        return np.bincount(side[self.pixels], minlength=count) > 0

    def within(self, run: slice) -> Bars:
        """Those of a run of the window's pixels, numbered from its first on."""
        first, last = np.searchsorted(self.pixels, [run.start, run.stop])
        own = slice(int(first), int(last))
        return Bars(
            self.pixels[own] - run.start,
            self.away_px[own],
            self.away_u_px[own],
            self.variance[own],
            self.variance_u[own],
            self.slope[own],
            self.light[:, own],
        )

    def doubted(self, blur_px: float, blur_u_px: float) -> tuple[Bars, ...]:
        """The same bars a standard uncertainty wider, and as much farther out.

        `blur_px` is the picture's blur, from which a side's may differ by `blur_u_px`.
        """
        if not len(self.pixels):
            return ()
        wider = self.variance + np.hypot(self.variance_u, 2.0 * blur_px * blur_u_px)
        return replace(self, variance=wider), replace(self, away_px=self.away_px - self.away_u_px)

    def mend(
        self, distance_px: Floats, foot_px: Floats | float, blur_px: Floats | float, usual_px: float
    ) -> tuple[Floats, Floats, Floats]:
        """What is to be added to M V + s^2 M' g, in units of `light`; its slopes by distance and by blur; (K,) each.

        At distances (K,) outward of the cloth's edge, the mat showing from `foot_px` outward of it; that and the blur
        are one, or (K,). How wide a bar is follows from the picture's `usual_px` blur: a side's own is hard to tell
        from the width.
        """
        width = np.sqrt(np.maximum(12.0 * (self.variance - usual_px**2), LEAST_WIDTH2))
        here, by_distance = self._mend(distance_px, foot_px, blur_px, width)
        there, _ = self._mend(distance_px, foot_px, blur_px - STEP, width)
        return here, by_distance, (here - there) / STEP

    def _mend(self, e: Floats, foot: Floats | float, s: Floats | float, width: Floats) -> tuple[Floats, Floats]:
        bar = _bar(self.away_px, width, s)
        low, high = e - self.away_px - width / 2.0, e - self.away_px + width / 2.0
        z_low, z_high = (e - np.maximum(low, foot)) / s, (e - np.maximum(high, foot)) / s
        visible = (ndtr(z_low) - ndtr(z_high)) / width
        cut = np.where((low < foot) & (high > foot), _density(z_low, s) / width, 0.0)
        edge = self.slope * _density(e / s, s)
        z_foot = (e - foot) / s
        mend = visible - bar * ndtr(z_foot) - s * s * edge
        by_distance = cut - bar * _density(z_foot, s) + e * edge
        return mend, by_distance


_NONE = np.empty(0)
NO_BARS = Bars(np.empty(0, np.int64), _NONE, _NONE, _NONE, _NONE, _NONE, np.empty((3, 0)))


def bar_shape(away: Floats, variance: float, blur: float) -> Floats:
    """A bar's profile at distances (N,) from its middle, its sum 1."""
    s = min(blur, math.sqrt(variance - LEAST_WIDTH2 / 12.0))
    return _bar(away, math.sqrt(12.0 * (variance - s * s)), s)


def _density(z: Floats, s: Floats | float) -> Floats:
    """Per px, `z` standard deviations of `s` px away."""
    return np.asarray(np.exp(-0.5 * z * z) / (ROOT_TWO_PI * s))


def _bar(away: Floats, width: Floats | float, s: Floats | float) -> Floats:
    """A blurred bar's profile, its sum 1."""
    return np.asarray((ndtr((away + width / 2.0) / s) - ndtr((away - width / 2.0) / s)) / width)
