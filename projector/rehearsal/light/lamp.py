"""A lamp with dynamic contrast: it is turned down while the picture is dark, and takes its time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.light import LINEAR

FOLLOW_S = 0.4


class Lamp:
    """The lamp's level over time, 1 at full power: an exponential towards what each picture asks for."""

    def __init__(self, dynamic: float) -> None:
        self._dynamic = dynamic
        self._since_s, self._level, self._goal = 0.0, 1.0 - dynamic, 1.0 - dynamic

    def shows(self, picture: NDArray[np.uint8], t_s: float) -> None:
        """A picture is on from then on."""
        if self._dynamic:
            self._level, self._since_s = self.level(t_s), t_s
            self._goal = 1.0 - self._dynamic * (1.0 - float(LINEAR[picture[::4, ::4]].mean()))

    def level(self, t_s: float) -> float:
        left = np.exp(-max(t_s - self._since_s, 0.0) / FOLLOW_S)
        return float(self._goal + (self._level - self._goal) * left)
