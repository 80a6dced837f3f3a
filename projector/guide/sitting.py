"""What is the same in every scene of one sitting: where the person stands, their ruler, how true ends are cut."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from projector.guide.units.truing import USUAL_TRUING, Truing
from vision.lamplight.matlight import MatLight

Stand = Literal["near", "far", "left", "right"]

# How far words are turned counter-clockwise to be upright for a person on that side of the mat.
TURNS: dict[Stand, float] = {"near": 0.0, "far": math.pi, "left": -math.pi / 2, "right": math.pi / 2}


@dataclass(frozen=True, eq=False, slots=True)
class Sitting:
    """One sitting at the table."""

    stand: Stand = "near"
    ruler_mm: float | None = None  # how thick the straight edge is, if the person told
    light: MatLight | None = None  # how well light shows on the bare mat, once that is measured
    truing: Truing = USUAL_TRUING  # when ends are trued

    @property
    def turn_rad(self) -> float:
        """By which words are turned to be upright for the person."""
        return TURNS[self.stand]

    def under(self, light: MatLight | None) -> Sitting:
        """The same once it was measured how light shows on the mat; as before where it was not."""
        return self if light is None else replace(self, light=light)


USUAL = Sitting()
