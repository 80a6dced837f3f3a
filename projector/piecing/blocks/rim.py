"""The outline of a square block, its lower left at the origin, as lines from within meet it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from projector.piecing.blocks.build import UP, Place, spoke

ON_A_CORNER = 1e-9  # of the square's side: so near to its corner an edge runs into it


def to_rim(finish_mm: float, start: Place, way_rad: float) -> Place:
    """Where a line from within the block's square meets its outline."""
    x, y = math.cos(way_rad), math.sin(way_rad)
    across = math.inf if x == 0.0 else ((finish_mm if x > 0.0 else 0.0) - start[0]) / x
    up = math.inf if y == 0.0 else ((finish_mm if y > 0.0 else 0.0) - start[1]) / y
    slack = ON_A_CORNER * finish_mm
    end = spoke(start, min(across, up), way_rad)
    return _snapped(end[0], finish_mm, slack), _snapped(end[1], finish_mm, slack)


def around(finish_mm: float, start: Place, end: Place) -> list[Place]:
    """Places along the square's outline, counter-clockwise from one to another, with the corners between them."""
    corners = [(finish_mm, 0.0), (finish_mm, finish_mm), (0.0, finish_mm), (0.0, 0.0)]
    first, last = _along(finish_mm, start), _along(finish_mm, end)
    last += 4.0 if last <= first else 0.0
    between = [corners[(k - 1) % 4] for k in range(1, 9) if first < k < last]
    return [start, *between, end]


def _along(finish_mm: float, place: Place) -> float:
    """How far round the outline a place lies, in sides, from the lower left corner: 0 <= result < 4."""
    x, y = place[0] / finish_mm, place[1] / finish_mm
    if y == 0.0:
        return x
    if x == 1.0:
        return 1.0 + y
    if y == 1.0:
        return 3.0 - x
    return (4.0 - y) % 4.0


def _snapped(value: float, finish_mm: float, slack: float) -> float:
    if abs(value) < slack:
        return 0.0
    return finish_mm if abs(value - finish_mm) < slack else value


def along_rim(finish_mm: float, places: Sequence[Place]) -> float:
    """The grain of a patch at the rim of a square block: along the side of the block that it lies nearest to."""
    x = sum(place[0] for place in places) / len(places) - finish_mm / 2.0
    y = sum(place[1] for place in places) / len(places) - finish_mm / 2.0
    return UP if abs(x) > abs(y) else 0.0
