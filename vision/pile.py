"""A pile of units in a few numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from vision.comparing.expected import ExpectedShape
from vision.comparing.symmetry import pair_alike
from vision.units import Judged, Verdict


@dataclass(frozen=True, slots=True)
class Spread:
    """One figure over a pile: how often, mean, standard deviation (n - 1), least and greatest."""

    count: int
    mean: float
    sd: float
    least: float
    greatest: float


@dataclass(frozen=True, slots=True)
class Pile:
    """What was measured and judged, and how the widths spread: by expected shape and pair of sides.

    Pairs that nobody can tell apart on a unit that was laid down, as a square's, are one, under the first of them.
    """

    units: int
    judged: int
    verdicts: dict[str, int]
    widths_mm: dict[tuple[str, tuple[int, int]], Spread]


def sum_up(units: Sequence[Judged], expected: Sequence[ExpectedShape] = ()) -> Pile:
    """Count the verdicts and spread the widths of units that are what was expected of them.

    Which widths are alike is told by the `expected` shapes; of a shape that is not among them each pair is its own.

    >>> sum_up([]).units
    0
    """
    verdicts = Counter(unit.verdict.value for unit in units if unit.verdict is not None)
    shapes = {shape.name: shape for shape in expected}
    alike = cache(lambda name, sides: pair_alike(shapes[name], sides) if name in shapes else sides)
    widths: dict[tuple[str, tuple[int, int]], list[float]] = {}
    for judged in units:
        if judged.verdict in (None, Verdict.OTHER, Verdict.LOOK_AGAIN, Verdict.TURNED_OVER):
            continue
        for width in judged.unit.widths:
            name = judged.expected or ""
            widths.setdefault((name, alike(name, width.sides)), []).append(width.mean_mm)
    return Pile(
        len(units), sum(verdicts.values()), dict(verdicts), {key: spread(values) for key, values in widths.items()}
    )


def spread(values: Sequence[float]) -> Spread:
    """Mean and standard deviation of `values`, at least one; of a single one the deviation is 0.

    >>> spread([10000001.0, 10000003.0, 10000002.0])
    Spread(count=3, mean=10000002.0, sd=1.0, least=10000001.0, greatest=10000003.0)
    """
    array = np.asarray(values, float)
    sd = float(array.std(ddof=1)) if len(array) > 1 else 0.0
    return Spread(len(array), float(array.mean()), sd, float(array.min()), float(array.max()))
