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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.normal import density, rising

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_WIDTH2 = 0.1  # px^2; narrower bars cannot be told from lines without width


class Bars(NamedTuple):
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

    def doubted(self, blur_px: float, blur_u_px: float) -> tuple[Bars, ...]:
        """The same bars a standard uncertainty wider, and as much farther out.

        `blur_px` is the picture's blur, from which a side's may differ by `blur_u_px`.
        """
        if not len(self.pixels):
            return ()
        wider = self.variance + np.hypot(self.variance_u, 2.0 * blur_px * blur_u_px)
        return self._replace(variance=wider), self._replace(away_px=self.away_px - self.away_u_px)


_NONE = np.empty(0)
NO_BARS = Bars(np.empty(0, np.int64), _NONE, _NONE, _NONE, _NONE, _NONE, np.empty((3, 0)))


@compiled
def mend_of(
    bars: Bars, k: int, e: float, foot_px: float, blur_px: float, usual_px: float
) -> tuple[float, float, float]:
    """What is to be added to M V + s^2 M' g at a bar's pixel `k`, in units of `light`; its slopes by distance and blur.

    At `e` px outward of the cloth's edge, the mat showing from `foot_px` outward of it. How wide a bar is follows from
    the picture's `usual_px` blur: a side's own is hard to tell from the width.
    """
    s, away, steep = blur_px, bars.away_px[k], bars.slope[k]
    width = math.sqrt(max(12.0 * (bars.variance[k] - usual_px**2), LEAST_WIDTH2))
    ahead, back = (away + width / 2.0) / s, (away - width / 2.0) / s
    bar, bar_by_blur = rising(ahead) - rising(back), (back * density(back) - ahead * density(ahead)) / s
    low, high = e - away - width / 2.0, e - away + width / 2.0  # of the bar itself, outward of the edge
    z_low, z_high = (e - max(low, foot_px)) / s, (e - max(high, foot_px)) / s
    visible = rising(z_low) - rising(z_high)
    visible_by_blur = (z_high * density(z_high) - z_low * density(z_low)) / s
    cut = density(z_low) / s if low < foot_px < high else 0.0
    z, z_foot = e / s, (e - foot_px) / s
    edge, shown, foot = steep * density(z), rising(z_foot), density(z_foot) / s
    mend = (visible - bar * shown) / width - s * edge
    by_distance = (cut - bar * foot) / width + z * edge
    by_blur = (visible_by_blur - bar_by_blur * shown + bar * z_foot * foot) / width - (1.0 + z * z) * edge
    return mend, by_distance, by_blur


@compiled
def bar_shape(away: Floats, variance: float, blur: float) -> Floats:
    """A bar's profile at distances (N,) from its middle, its sum 1."""
    s, result = min(blur, math.sqrt(variance - LEAST_WIDTH2 / 12.0)), np.empty_like(away)
    width = math.sqrt(12.0 * (variance - s * s))
    for i in range(len(away)):
        result[i] = (rising((away[i] + width / 2.0) / s) - rising((away[i] - width / 2.0) / s)) / width
    return result
