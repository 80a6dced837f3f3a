"""What a strip set's seams took and what a finished block measures, in words, from their events."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from projector.dimensions import number
from projector.piecing.lengths import inches_text, mm_text

MOST = 24  # distances of one block


@dataclass(frozen=True, slots=True)
class BlockRows:
    """A finished block: its name, and a row a distance: what it is, planned, foretold, measured."""

    name: str
    rows: tuple[tuple[str, str, str, str], ...]


def set_words(event: Mapping[str, Any], metric: bool) -> str:
    """The seam check on a strip set: what a seam takes beside what the plan gives it."""
    took, u, planned = (number(event.get(key)) for key in ("seam_mm", "seam_u_mm", "seam_planned_mm"))
    each = [f"{mm:.2f}" for one in _listed(event.get("each_seam_mm")) if math.isfinite(mm := number(one))]
    name = str(event.get("name") or "a strip set")
    if not (math.isfinite(took) and math.isfinite(planned)):
        return f"seam check on {name}: nothing could be read"
    alone = f"; seam by seam {', '.join(each)} mm" if len(each) > 1 else ""
    wanted = mm_text(planned, 2) if metric else f"{inches_text(planned, 64)}, {mm_text(planned, 2)}"
    sure = f", u {u:.2f} mm" if math.isfinite(u) else ""
    return f"seam check on {name}: a seam takes {took:.2f} mm of each strip{sure}, {wanted} planned{alone}"


def block_rows(event: Mapping[str, Any], metric: bool) -> BlockRows | None:
    """The distances of a finished block; None where there are none."""
    rows = [
        row
        for one in _listed(event.get("distances"))[:MOST]
        if isinstance(one, Mapping) and (row := _row(one, metric)) is not None
    ]
    return BlockRows(str(event.get("name") or event.get("expected") or "block"), tuple(rows)) if rows else None


def _row(one: Mapping[str, Any], metric: bool) -> tuple[str, str, str, str] | None:
    measured = number(one.get("mm"))
    if not math.isfinite(measured):
        return None
    points = "-".join(str(point) for point in _listed(one.get("points")))
    what = f"{str(one.get('kind') or 'distance').replace('_', ' ')} {points}".strip()
    return (
        what,
        _length(number(one.get("planned_mm")), math.nan, metric),
        _length(number(one.get("foretold_mm")), number(one.get("foretold_u_mm")), metric),
        _length(measured, number(one.get("u_mm")), metric),
    )


def _length(value_mm: float, u_mm: float, metric: bool) -> str:
    if not math.isfinite(value_mm):
        return "-"
    sure = f" ± {u_mm:.2f}" if math.isfinite(u_mm) else ""
    return f"{value_mm:.2f}{sure} mm" if metric else f"{inches_text(value_mm, 64)} ({value_mm:.2f}{sure} mm)"


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []
