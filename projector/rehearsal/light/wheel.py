"""Light that is not there all the time: a colour wheel, lamps of three colours in turn, a lamp on mains.

Within a period each colour shines evenly during its own segments; over a whole period every colour's mean is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wheel:
    """`ends` are the segments' ends as shares of the period, the last one 1; `shines` their blue, green, red."""

    period_s: float
    ends: tuple[float, ...] = (0.29, 0.61, 0.86, 1.0)
    shines: tuple[tuple[float, float, float], ...] = ((0, 0, 1), (0, 1, 0), (1, 0, 0), (1, 1, 1))
    start_s: float = 0.0

    def light_s(self, until_s: Floats) -> Floats:
        """(..., 3): the light gathered from the wheel's start to times (...), in seconds of even light."""
        turns = (np.asarray(until_s, float) - self.start_s) / self.period_s
        whole = np.floor(turns)
        knots = np.concatenate([[0.0], self.ends])
        parts = np.diff(knots)[:, None] * np.array(self.shines)
        gathered = np.concatenate([np.zeros((1, 3)), np.cumsum(parts, axis=0)])
        part = np.stack([np.interp(turns - whole, knots, g / g[-1]) for g in gathered.T], axis=-1)
        return np.asarray((whole[..., None] + part) * self.period_s)


def light_shares(opened_s: Floats, exposure_s: float, during_s: tuple[float, float], wheel: Wheel | None) -> Floats:
    """How much of even light's full exposure a picture gives that is in the light `during_s`: (rows, 3).

    `opened_s` (rows,) says when the exposure of each row began, by the projector's clock.
    """
    since = np.clip(during_s[0], opened_s, opened_s + exposure_s)
    until = np.clip(during_s[1], opened_s, opened_s + exposure_s)
    if wheel is None:
        return np.asarray(np.repeat(((until - since) / exposure_s)[:, None], 3, axis=1))
    return np.asarray((wheel.light_s(until) - wheel.light_s(since)) / exposure_s)
