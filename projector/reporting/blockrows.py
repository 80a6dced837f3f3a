"""What a strip set's seams took and what a finished block measures, in words, from their events."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from projector.piecing.lengths import inches_text, mm_text
from projector.piles.dimensions import number

MOST = 24  # distances of one block


@dataclass(frozen=True, slots=True)
class BlockRows:
    """Finished blocks of a name, and a row a distance: what it is, planned, foretold, measured."""

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


def block_tables(events: Iterable[Mapping[str, Any]], metric: bool) -> list[BlockRows]:
    """The distances of finished blocks, a table for all blocks of a name; none where there are none."""
    by_name: dict[str, dict[tuple[str, str], list[Mapping[str, Any]]]] = {}
    for event in events:
        rows = by_name.setdefault(str(event.get("name") or event.get("expected") or "block"), {})
        for one in _listed(event.get("distances"))[:MOST]:
            if isinstance(one, Mapping) and math.isfinite(number(one.get("mm"))):
                rows.setdefault(_what(one), []).append(one)
    return [
        BlockRows(name, tuple(_row(f"{kind} {points}".strip(), same, metric) for (kind, points), same in rows.items()))
        for name, rows in by_name.items()
        if rows
    ]


def _what(one: Mapping[str, Any]) -> tuple[str, str]:
    points = "-".join(str(point) for point in _listed(one.get("points")))
    return str(one.get("kind") or "distance").replace("_", " "), points


def _row(what: str, same: Sequence[Mapping[str, Any]], metric: bool) -> tuple[str, str, str, str]:
    """One distance; of several blocks the mean, and from the least to the greatest. The last prediction is told."""
    last, measured = same[-1], [number(one.get("mm")) for one in same]
    if len(measured) == 1:
        told = _length(measured[0], number(last.get("u_mm")), metric)
    else:
        span = f"{min(measured):.2f} to {max(measured):.2f} mm, {len(measured)} blocks"
        mean = sum(measured) / len(measured)
        told = f"{mean:.2f} mm ({span})" if metric else f"{inches_text(mean, 64)} ({span})"
    return (
        what,
        _length(number(last.get("planned_mm")), math.nan, metric),
        _length(number(last.get("foretold_mm")), number(last.get("foretold_u_mm")), metric),
        told,
    )


def _length(value_mm: float, u_mm: float, metric: bool) -> str:
    if not math.isfinite(value_mm):
        return "-"
    sure = f" ± {u_mm:.2f}" if math.isfinite(u_mm) else ""
    return f"{value_mm:.2f}{sure} mm" if metric else f"{inches_text(value_mm, 64)} ({value_mm:.2f}{sure} mm)"


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []
