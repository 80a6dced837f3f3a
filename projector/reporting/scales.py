"""From figures to places on paper: an axis of deviations, with ticks in the person's own unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from projector.piecing.lengths import INCH_MM
from projector.piles.dimensions import Dimension

INCH_STEPS = tuple(Fraction(1, 2**k) for k in range(7, -1, -1))  # 1/128 in to 1 in
PLAIN_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
MOST_TICKS = 7
ROOM = 1.25  # of the tolerance, that is always shown
FARTHEST = 4.0  # tolerances; what is farther off is drawn at the rim


@dataclass(frozen=True, slots=True)
class Axis:
    """Deviations from `low` to `high`, mm or degrees, from `bottom` to `top` of the picture."""

    low: float
    high: float
    bottom: float
    top: float

    def place(self, off: float) -> float:
        """Where a deviation comes to lie; one beyond the axis at its end."""
        share = (min(max(off, self.low), self.high) - self.low) / (self.high - self.low)
        return self.bottom + share * (self.top - self.bottom)


def reach_of(dimension: Dimension, values: tuple[float, ...]) -> float:
    """How far off an axis must show, mm or degrees: the tolerance and all values, outliers apart."""
    limit = dimension.limit or 0.1
    farthest = max((abs(value - dimension.planned) for value in values), default=0.0)
    return max(ROOM * limit, min(1.1 * farthest, FARTHEST * limit))


def ticks(reach: float, unit: str) -> list[tuple[float, str]]:
    """Places and labels of ticks from -reach to reach; `unit` is "in" (labels are fractions), "mm" or "deg".

    >>> [label for _, label in ticks(1.0, "in")]
    ['−1/32', '−1/64', '0', '+1/64', '+1/32']
    >>> [label for _, label in ticks(1.0, "mm")]
    ['−1.0', '−0.5', '0', '+0.5', '+1.0']
    """
    if unit == "in":
        step_in = next((step for step in INCH_STEPS if 2 * reach / (float(step) * INCH_MM) < MOST_TICKS), Fraction(2))
        count = math.floor(reach / (float(step_in) * INCH_MM) + 1e-9)
        return [(float(k * step_in) * INCH_MM, _signed(str(abs(k) * step_in), k)) for k in range(-count, count + 1)]
    step = next((step for step in PLAIN_STEPS if 2 * reach / step < MOST_TICKS), 100.0)
    count, places = math.floor(reach / step + 1e-9), max(1, -math.floor(math.log10(step)))
    return [(k * step, _signed(f"{abs(k) * step:.{places}f}", k)) for k in range(-count, count + 1)]


def _signed(text: str, sign: int) -> str:
    return "0" if sign == 0 else f"{'+' if sign > 0 else '−'}{text}"


def whole_ticks(last: int, most: int = 10) -> list[int]:
    """Numbers of units worth a label, from 1 to `last`.

    >>> whole_ticks(7), whole_ticks(64)
    ([1, 2, 3, 4, 5, 6, 7], [1, 10, 20, 30, 40, 50, 60])
    """
    step = next(step * 10**power for power in range(9) for step in (1, 2, 5) if last / (step * 10**power) <= most)
    return sorted({1, *range(step, last + 1, step)})
