"""How much of each cloth strips take, and how much of it to buy."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from projector.piecing.lengths import INCH_MM

EIGHTH_YARD_MM = 4.5 * INCH_MM  # 1/8 yd = 4 1/2 in
QUARTER_INCH_MM = INCH_MM / 4
LEAST_TO_TRIM_MM = INCH_MM / 16
HAIR = 1e-9


@dataclass(frozen=True, slots=True)
class Cloth:
    """Of one fabric: `needed_mm` along the selvage, what to buy, and the areas of what becomes of it."""

    fabric: str
    needed_mm: float
    buy_mm: float  # rounded up to eighths of a yard
    used_mm2: float  # in raw patches
    wasted_mm2: float  # of what is needed at the usable width


def cloths(strips: Sequence[tuple[str, float]], used_mm2: Mapping[str, float], usable_mm: float) -> list[Cloth]:
    """Of strips (fabric, width in mm) cut across the cloth, each the usable width long; in the fabrics' order."""
    needed: dict[str, float] = {}
    for fabric, width_mm in strips:
        needed[fabric] = needed.get(fabric, 0.0) + width_mm
    return [
        Cloth(fabric, mm, bought_mm(mm), used_mm2.get(fabric, 0.0), mm * usable_mm - used_mm2.get(fabric, 0.0))
        for fabric, mm in needed.items()
    ]


def bought_mm(needed_mm: float) -> float:
    """Rounded up to the next eighth of a yard (common practice).

    >>> bought_mm(25 * 25.4) / 914.4
    0.75
    """
    return math.ceil(needed_mm / EIGHTH_YARD_MM - HAIR) * EIGHTH_YARD_MM


def roomy_mm(exact_mm: float) -> float:
    """The first quarter inch that leaves at least 1/16 in to trim (common practice).

    >>> roomy_mm((3 + 0.853553) * 25.4) / 25.4
    4.0
    """
    return math.ceil((exact_mm + LEAST_TO_TRIM_MM) / QUARTER_INCH_MM - HAIR) * QUARTER_INCH_MM
