"""Session by session: the mean of each width, and which of them differs more than its units do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from projector.piecing.lengths import INCH_MM
from projector.reporting.contents import Charted, Kind, Part

MOST = 6  # sessions side by side; of more the last


@dataclass(frozen=True, slots=True)
class Cell:
    """How far a session's mean is off the plan, give or take; `differs` if it lies beyond its limits."""

    words: str
    differs: bool


@dataclass(frozen=True, slots=True)
class Days:
    """A row a dimension, a cell a session, None where the session has none of it."""

    unit: str
    sessions: tuple[tuple[int, datetime], ...]
    rows: tuple[tuple[str, tuple[Cell | None, ...]], ...]


def day_table(part: Part) -> Days | None:
    """None where no width was measured in two sessions."""
    rows = [
        (f"{kind.name}, {one.dimension.name}", _cells(one, part.metric))
        for kind, one in _widths(part)
        if one.by_session is not None
    ]
    seen = [one for one in part.sittings if any(one.id in cells for _, cells in rows)][-MOST:]
    if not rows or len(seen) < 2:
        return None
    table = tuple((name, tuple(cells.get(one.id) for one in seen)) for name, cells in rows)
    return Days("mm" if part.metric else "in", tuple((one.id, one.started) for one in seen), table)


def _widths(part: Part) -> list[tuple[Kind, Charted]]:
    return [(kind, one) for kind in part.kinds for one in kind.charts if one.dimension.kind in ("width", "side")]


def _cells(one: Charted, metric: bool) -> dict[int, Cell]:
    """Give or take is two standard deviations of the mean of so many units, by the spread within all sessions."""
    if one.by_session is None:
        return {}
    ids, groups = one.by_session
    unit, places = (1.0, 2) if metric else (INCH_MM, 3)
    cells = {}
    for i, (session, mean) in enumerate(zip(ids, groups.means, strict=True)):
        off, give = (mean - one.dimension.planned) / unit, 2.0 * groups.sd / math.sqrt(groups.counts[i]) / unit
        sign = "" if round(off, places) == 0.0 else "+" if off > 0.0 else "−"
        least = 10.0**-places
        cells[session] = Cell(f"{sign}{abs(off):.{places}f} ± {max(give, least):.{places}f}", i in groups.out)
    return cells
