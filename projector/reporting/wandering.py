"""How widths wander over all of a plan's sessions: an average of the latest units, and what chance allows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from projector.reporting.contents import LEAST, Measured, Part
from vision.statistics.ewma import ewma, ewma_reach
from vision.statistics.runchart import limits_from

MOST = 3.0  # standard deviations that one unit counts: a single slip is no drift


@dataclass(frozen=True, eq=False, slots=True)
class Wander:
    """`places` are those of the units in the part that have a width, `off_mm` how far it lies off the plan.

    `line_mm` is the average after each; by chance it stays within `reach_mm` of `centre_mm`.
    """

    places: tuple[int, ...]
    off_mm: tuple[float, ...]
    line_mm: tuple[float, ...]
    centre_mm: float
    reach_mm: float | None  # None of too few units

    @property
    def out(self) -> tuple[int, ...]:
        """Where the average leaves its limits: indices into `places`. It must have come half back to leave again."""
        if self.reach_mm is None:
            return ()
        found, inside = [], True
        for i, line_mm in enumerate(self.line_mm):
            away = abs(line_mm - self.centre_mm)
            if inside and away > self.reach_mm:
                found.append(i)
            inside = away < self.reach_mm / 2.0 or (inside and away <= self.reach_mm)
        return tuple(found)


def mean_off_mm(unit: Measured) -> float | None:
    """How much a unit's widths, or else its sides, lie outward of the plan in the mean."""
    for kind in ("width", "side"):
        off = [reading.value - one.planned for one, reading in unit.readings if one.kind == kind]
        if off:
            return float(np.mean(off))
    return None


def wander_of(part: Part) -> Wander | None:
    """None of fewer than two units with a width.

    Kinds differ from each other without any drift, so what a kind has in the mean is taken out of it; the standard
    deviation is that of neighbours of one kind. What changed at the same moment as the kind is not seen, therefore.
    """
    each = [(i, unit.name, mean_off_mm(unit)) for i, unit in enumerate(part.units)]
    told = [(i, name, value) for i, name, value in each if value is not None]
    if len(told) < 2:
        return None
    names, off = [name for _, name, _ in told], np.array([value for _, _, value in told])
    alone, ranges = off.copy(), list[float]()
    for name in dict.fromkeys(names):
        mine = np.array([name == other for other in names])
        alone[mine] -= off[mine].mean()
        ranges += np.abs(np.diff(off[mine])).tolist()
    centre = float(off.mean())
    sigma = limits_from(centre, float(np.mean(ranges))).sigma if len(ranges) >= LEAST - 1 else 0.0
    counted = np.clip(alone, -MOST * sigma, MOST * sigma) if sigma > 0.0 else alone
    return Wander(
        tuple(i for i, _, _ in told),
        tuple(off.tolist()),
        tuple((centre + ewma(counted.tolist(), 0.0)).tolist()),
        centre,
        ewma_reach(sigma) if sigma > 0.0 else None,
    )


def wander_words(part: Part, wander: Wander, most: int = 4) -> list[str]:
    """When the average left what chance allows, and which way."""
    if wander.reach_mm is None:
        return [f"too few units to tell what is chance (at least {LEAST})"]
    told = [_left(part.units, wander, i) for i in wander.out[:most]]
    more = len(wander.out) - most
    return [*told, *([f"and {more} times more"] if more > 0 else [])] or ["the widths wander no more than by chance"]


def _left(units: Sequence[Measured], wander: Wander, i: int) -> str:
    unit = units[wander.places[i]]
    way = "wider" if wander.line_mm[i] > wander.centre_mm else "narrower"
    at = f"{unit.at:%Y-%m-%d %H:%M} on (entry {unit.n} of session {unit.session})"
    return f"{way} than chance would have it from {at}"
