"""Sewn units for tests: a planned one, larger than planned, its seams where they should be or a little off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.making import Wishes, plan_of
from projector.piecing.plans import Making, Plan, Unit
from vision.polygons import line_meeting
from vision.units import MeasuredUnit, Seam

Floats = NDArray[np.float64]
U_MM = 0.05


def plan(block: str, finish_mm: float, make: int = 1, **settings: str) -> Plan:
    making = Making(block, finish_mm, make, settings=tuple(settings.items()))
    return plan_of(block_of(block, finish_mm, settings), making, Wishes()).plan


def larger(corners: Floats, by_mm: Sequence[float]) -> Floats:
    """Every side moved outward by so much; corners counter-clockwise."""
    runs = np.roll(corners, -1, axis=0) - corners
    outward = np.column_stack([runs[:, 1], -runs[:, 0]]) / np.hypot(*runs.T)[:, None]
    lines = [(a + by * n, b + by * n) for a, b, n, by in zip(corners, corners + runs, outward, by_mm, strict=True)]
    meetings = [line_meeting(*lines[i - 1], *lines[i]) for i in range(len(lines))]
    return np.array(meetings)


def placed(points: Floats, x: float, y: float, turn_deg: float) -> Floats:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.asarray(points @ np.array([[c, s], [-s, c]]) + [x, y])


def measured(
    corners: Floats,
    seams: Floats,
    x: float = 200.0,
    y: float = 150.0,
    turn_deg: float = 25.0,
    trouble: str | None = None,
) -> MeasuredUnit:
    """As vision would hand it over, without error: corners in no particular order of numbering, seams likewise."""
    n = len(corners)
    laid = np.roll(placed(corners, x, y, turn_deg), 1, axis=0)
    found = tuple(Seam(placed(seam, x, y, turn_deg)[::-1], U_MM) for seam in np.asarray(seams)[::-1])
    full = np.full(n, U_MM)
    return MeasuredUnit(laid, full, full, full / 100.0, np.zeros(n), (), found, trouble)


def sewn_units(of: Plan) -> list[Unit]:
    return [unit for unit in of.units if unit.cut is None and unit.lay is None]
