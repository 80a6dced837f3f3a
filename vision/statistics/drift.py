"""Whether a figure drifts: a straight line through it, with uncertainties, and how neighbours hang together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr


@dataclass(frozen=True, slots=True)
class Line:
    """y = offset + slope (x - origin), by least squares; `correlation` is that of offset and slope."""

    origin: float
    offset: float
    slope: float
    u_offset: float
    u_slope: float
    correlation: float
    sd: float  # of what is left
    freedom: int

    def at(self, x: float) -> tuple[float, float]:
        """The line's value at x and its standard uncertainty (JCGM 100:2008, H.3.4)."""
        away = x - self.origin
        u2 = self.u_offset**2 + (away * self.u_slope) ** 2
        u2 += 2.0 * away * self.correlation * self.u_offset * self.u_slope
        return self.offset + self.slope * away, math.sqrt(max(u2, 0.0))

    @property
    def by_chance(self) -> float:
        """How probable so steep a line is where nothing drifts (two-sided, Student's t)."""
        if self.u_slope == 0.0:
            return 0.0 if self.slope else 1.0
        return float(2.0 * stdtr(self.freedom, -abs(self.slope) / self.u_slope))


def line_through(x: Sequence[float], y: Sequence[float], origin: float = 0.0) -> Line:
    """Least squares with the spread of the residuals, at least three places of which two differ.

    Source: JCGM 100:2008 (GUM), H.3. Taken about the mean of x, so that nothing cancels.

    Raises ValueError where no line is determined.
    """
    xs, ys = np.asarray(x, float), np.asarray(y, float)
    n, middle = len(xs), float(np.mean(xs)) if len(xs) else 0.0
    spread = float(np.sum((xs - middle) ** 2))
    if n < 3 or spread == 0.0:
        raise ValueError("a line needs three values at two places or more")
    slope = float((xs - middle) @ (ys - ys.mean())) / spread
    left = ys - ys.mean() - slope * (xs - middle)
    sd = math.sqrt(float(left @ left) / (n - 2))
    away, u_slope = origin - middle, sd / math.sqrt(spread)
    u_offset = math.hypot(sd / math.sqrt(n), away * u_slope)
    correlation = away * u_slope / u_offset if u_offset else 0.0
    return Line(origin, float(ys.mean()) + slope * away, slope, u_offset, u_slope, correlation, sd, n - 2)


def neighbours_correlation(values: Sequence[float]) -> float:
    """Lag-1 autocorrelation; not a number where nothing varies.

    Source: NIST/SEMATECH e-Handbook, 1.3.5.12.

    >>> neighbours_correlation([1.0, -1.0, 1.0, -1.0])
    -0.75
    """
    away = np.asarray(values, float) - np.mean(values)
    whole = float(away @ away)
    return float(away[:-1] @ away[1:]) / whole if whole else math.nan
