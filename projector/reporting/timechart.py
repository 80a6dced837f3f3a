"""How widths drifted over the whole of a plan's sessions: every kind by its own form, against the clock."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from projector.reporting.contents import Kind, Part
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
    ring,
    words,
)
from projector.reporting.wandering import Wander, wander_words

WIDE, TALL = 720.0, 220.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 700.0, 12.0, 168.0
FORMS = ("circle", "square", "diamond", "cross", "bar")
COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE)
MOST_LABELS = 8
TIME_WIDE, DATE_WIDE = 34.0, 126.0  # what a label takes
LONGEST = 32  # name in the legend


def time_chart(part: Part, wander: Wander | None) -> str | None:
    """SVG; None where fewer than two units have a width. Units stand in the order measured, not by the clock."""
    if wander is None:
        return None
    limit = max(
        (one.limit for kind in part.kinds for c in kind.charts if (one := c.dimension).unit == "mm"), default=1.0
    )
    reach = max(1.25 * limit, min(4.0 * limit, 1.1 * max(map(abs, wander.off_mm))))
    axis, kinds, count = Axis(-reach, reach, BOTTOM, TOP), [kind for kind in part.kinds if kind.units], len(part.units)
    place = {kind.name: i for i, kind in enumerate(kinds)}
    every = max(1, -(-len(wander.places) // MOST_DOTS))
    shown = list(zip(wander.places, wander.off_mm, wander.line_mm, strict=True))[::every]
    parts = [
        *_ground(part, axis, limit),
        *_chance(wander, axis),
        *(_mark(_across(i, count), axis.place(off), place[part.units[i].name]) for i, off, _ in shown),
        path([(_across(i, count), axis.place(line)) for i, _, line in shown], stroke=INK, stroke_width=1.8),
        *(ring(_across(wander.places[i], count), axis.place(wander.line_mm[i])) for i in wander.out[:MOST_DOTS]),
        *_legend(kinds),
    ]
    return picture(WIDE, TALL, _says(part, wander), parts, "chart")


def _says(part: Part, wander: Wander) -> str:
    off = wander.off_mm
    halves = [np.mean(half) for half in (off[: len(off) // 2], off[len(off) // 2 :])]
    told = f"{halves[0]:+.3f} mm in the first half, {halves[1]:+.3f} mm in the second"
    return (
        f"Mean deviation of the widths of {len(off)} units over {len(part.sittings)} session(s), in the order "
        f"measured: {told}; {'; '.join(wander_words(part, wander))}."
    )


def _chance(wander: Wander, axis: Axis) -> Iterator[Element]:
    """Between what the average stays by chance."""
    if wander.reach_mm is None:
        return
    for off in (wander.centre_mm - wander.reach_mm, wander.centre_mm + wander.reach_mm):
        if axis.low <= off <= axis.high:
            yield line(LEFT, axis.place(off), RIGHT, axis.place(off), ORANGE, 1.4, "5 4")


def _across(i: int, count: int) -> float:
    return LEFT + 8.0 + (RIGHT - LEFT - 16.0) * (0.5 if count == 1 else i / (count - 1))


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
    """When units were measured, and where a session begins; what would stand on other words is left out."""
    units, every = part.units, max(1, len(part.units) // MOST_LABELS)
    begins = [i for i, unit in enumerate(units) if i == 0 or unit.session != units[i - 1].session]
    taken, dated = list[float](), -math.inf
    for i in begins:
        x = _across(i, len(units))
        if i:
            yield line(x - 3, TOP, x - 3, BOTTOM, INK, 1.0, "2 3")
        if x - dated >= DATE_WIDE:
            yield words(x, BOTTOM + 15, f"{units[i].at:%H:%M}", "middle", 10)
            yield words(x - 12, BOTTOM + 28, f"{units[i].at:%Y-%m-%d}, session {units[i].session}", "start", 10, GREY)
            taken.append(dated := x)
    for i in range(0, len(units), every):
        x = _across(i, len(units))
        if all(abs(x - other) >= TIME_WIDE for other in taken):
            yield words(x, BOTTOM + 15, f"{units[i].at:%H:%M}", "middle", 10)
            taken.append(x)


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
