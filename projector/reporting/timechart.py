"""How widths drifted over the whole of a plan's sessions: every kind by its own form, against the clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np

from projector.reporting.contents import Kind, Measured, Part
from projector.reporting.dimensionchart import MOST_DOTS
from projector.reporting.scales import Axis, ticks
from projector.reporting.svg import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    VERMILLION,
    Element,
    line,
    path,
    picture,
    rectangle,
    words,
)

WIDE, TALL = 720.0, 220.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 700.0, 12.0, 168.0
FORMS = ("circle", "square", "diamond", "cross", "bar")
COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE)
MOST_LABELS = 8
LONGEST = 32  # name in the legend


def mean_off_mm(unit: Measured) -> float | None:
    """How much a unit's widths, or else its sides, lie outward of the plan in the mean."""
    for kind in ("width", "side"):
        off = [reading.value - one.planned for one, reading in unit.readings if one.kind == kind]
        if off:
            return float(np.mean(off))
    return None


def time_chart(part: Part) -> str | None:
    """SVG; None where fewer than two units have a width. Units stand in the order measured, not by the clock."""
    told = [(i, unit, off) for i, unit in enumerate(part.units) if (off := mean_off_mm(unit)) is not None]
    if len(told) < 2:
        return None
    limit = max(
        (one.limit for kind in part.kinds for c in kind.charts if (one := c.dimension).unit == "mm"), default=1.0
    )
    reach = max(1.25 * limit, min(4.0 * limit, 1.1 * max(abs(off) for _, _, off in told)))
    axis, kinds = Axis(-reach, reach, BOTTOM, TOP), [kind for kind in part.kinds if kind.units]
    every = max(1, -(-len(told) // MOST_DOTS))
    parts = [
        *_ground(part, axis, limit),
        *(
            _mark(_across(i, len(part.units)), axis.place(off), _place(kinds, unit.name))
            for i, unit, off in told[::every]
        ),
        path(_running(told, axis, len(part.units)), stroke=INK, stroke_width=1.8),
        *_legend(kinds),
    ]
    return picture(WIDE, TALL, _says(part, told), parts, "chart")


def _says(part: Part, told: Sequence[tuple[int, Measured, float]]) -> str:
    halves = [np.mean([off for _, _, off in half]) for half in (told[: len(told) // 2], told[len(told) // 2 :])]
    return (
        f"Mean deviation of the widths of {len(told)} units over {len(part.sittings)} session(s), in the order "
        f"measured: {halves[0]:+.3f} mm in the first half, {halves[1]:+.3f} mm in the second."
    )


def _across(i: int, count: int) -> float:
    return LEFT + 8.0 + (RIGHT - LEFT - 16.0) * (0.5 if count == 1 else i / (count - 1))


def _running(told: Sequence[tuple[int, Measured, float]], axis: Axis, count: int) -> list[tuple[float, float]]:
    """Mean of neighbours, about a tenth of all."""
    half, off = max(2, len(told) // 20), np.array([value for _, _, value in told])
    total = np.concatenate([[0.0], np.cumsum(off)])
    low, high = np.maximum(np.arange(len(off)) - half, 0), np.minimum(np.arange(len(off)) + half + 1, len(off))
    means, every = (total[high] - total[low]) / (high - low), max(1, len(off) // MOST_DOTS)
    return [(_across(i, count), axis.place(float(m))) for (i, _, _), m in list(zip(told, means, strict=True))[::every]]


def _ground(part: Part, axis: Axis, limit: float) -> Iterator[Element]:
    upper, lower = axis.place(limit), axis.place(-limit)
    yield rectangle(LEFT, upper, RIGHT - LEFT, lower - upper, GREEN, 0.12)
    for y in (upper, lower):
        yield line(LEFT, y, RIGHT, y, INK, 1.2)
    yield line(LEFT, axis.place(0.0), RIGHT, axis.place(0.0), GREY, 0.8)
    unit = "mm" if part.metric else "in"
    for off, label in ticks(axis.high, unit):
        yield words(LEFT - 7, axis.place(off) + 3.5, label, "end", 10)
    yield words(LEFT - 7, TOP + 3, unit, "end", 10, GREY)
    yield from _clock(part)


def _clock(part: Part) -> Iterator[Element]:
    """When units were measured, and where a session begins."""
    units, every = part.units, max(1, len(part.units) // MOST_LABELS)
    before: datetime | None = None
    for i, unit in enumerate(units):
        begins = i == 0 or unit.session != units[i - 1].session
        x = _across(i, len(units))
        if begins and i:
            yield line(x - 3, TOP, x - 3, BOTTOM, INK, 1.0, "2 3")
        if begins or (i % every == 0 and (before is None or (unit.at - before).total_seconds() >= 60.0)):
            yield words(x, BOTTOM + 15, f"{unit.at:%H:%M}", "middle", 10)
            if begins:
                yield words(x - 6, BOTTOM + 28, f"{unit.at:%Y-%m-%d}, session {unit.session}", "start", 10, GREY)
            before = unit.at


def _place(kinds: Sequence[Kind], name: str) -> int:
    return next(i for i, kind in enumerate(kinds) if kind.name == name)


def _legend(kinds: Sequence[Kind]) -> Iterator[Element]:
    x = LEFT
    for i, kind in enumerate(kinds[: len(FORMS)]):
        name = kind.name if len(kind.name) <= LONGEST else f"{kind.name[: LONGEST - 1]}…"
        if x + 7.0 * len(name) > RIGHT:
            break
        yield _mark(x + 4, TALL - 8, i)
        yield words(x + 12, TALL - 4.5, name, size=10)
        x += 26.0 + 6.2 * len(name)


def _mark(x: float, y: float, place: int) -> Element:
    colour, r = COLOURS[place % len(COLOURS)], 3.2
    corners = {
        "circle": [(r * np.cos(a), r * np.sin(a)) for a in np.linspace(0.0, 2.0 * np.pi, 13)[:-1]],
        "square": [(-r, -r), (r, -r), (r, r), (-r, r)],
        "diamond": [(0.0, -4.4), (4.4, 0.0), (0.0, 4.4), (-4.4, 0.0)],
        "cross": [
            (-1, -4),
            (1, -4),
            (1, -1),
            (4, -1),
            (4, 1),
            (1, 1),
            (1, 4),
            (-1, 4),
            (-1, 1),
            (-4, 1),
            (-4, -1),
            (-1, -1),
        ],
        "bar": [(-4.5, -1.2), (4.5, -1.2), (4.5, 1.2), (-4.5, 1.2)],
    }[FORMS[place % len(FORMS)]]
    return path(
        [(x + float(dx), y + float(dy)) for dx, dy in corners], True, fill=colour, stroke="#fff", stroke_width=0.6
    )
