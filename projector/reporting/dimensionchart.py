"""One dimension against its tolerance: every unit in the order measured, and beside it how often each size came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from projector.dimensions import Dimension
from projector.reporting.contents import Charted
from projector.reporting.figures import run_words
from projector.reporting.scales import Axis, reach_of, ticks, whole_ticks
from projector.reporting.svg import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PALE,
    Element,
    dot,
    line,
    path,
    picture,
    rectangle,
    ring,
    triangle,
    words,
)

WIDE, TALL = 720.0, 176.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 500.0, 12.0, 146.0  # of the run chart
BARS, END = 548.0, 706.0  # of the histogram
MOST_DOTS = 400  # more units are drawn as what they span, so that a page of thousands stays small
BINS = 24
LABEL = 9.0  # height of one beside the run chart


def dimension_chart(charted: Charted, unit: str) -> str:
    """SVG. `unit` is that of the labels: "in", "mm" or "deg"."""
    one = charted.dimension
    reach = reach_of(one, charted.values)
    axis = Axis(-reach, reach, BOTTOM, TOP)
    last = max(charted.numbers)
    parts = [
        *_ground(one, axis, unit, last),
        *_limits(charted, axis),
        *_drift(charted, axis),
        *_points(charted, axis, last),
        *_histogram(charted, axis),
    ]
    return picture(WIDE, TALL, says(charted), parts, "chart")


def says(charted: Charted) -> str:
    """The picture in words."""
    one, spread = charted.dimension, charted.spread
    out = sum(not one.lower <= value <= one.upper for value in charted.values)
    told = "; ".join(run_words(charted))
    return (
        f"Run chart and histogram of {one.name}: {spread.count} units, mean {spread.mean - one.planned:+.3f} "
        f"{one.unit} off plan, standard deviation {spread.sd:.3f} {one.unit}, {out} out of the tolerance of "
        f"plus or minus {one.limit:.3f} {one.unit}; {told}."
    )


def across(number: float, last: int) -> float:
    """Where a unit's number comes to lie."""
    return LEFT + 8.0 + (RIGHT - LEFT - 16.0) * (0.5 if last == 1 else (number - 1) / (last - 1))


def _ground(one: Dimension, axis: Axis, unit: str, last: int) -> Iterator[Element]:
    """The tolerance as a band that both halves share, and the scales."""
    upper, lower = axis.place(one.limit), axis.place(-one.limit)
    for left, right in ((LEFT, RIGHT), (BARS, END)):
        yield rectangle(left, upper, right - left, lower - upper, GREEN, 0.12)
        for y in (upper, lower):
            yield line(left, y, right, y, INK, 1.2)
        yield line(left, axis.place(0.0), right, axis.place(0.0), GREY, 0.8)
        yield line(left, TOP, left, BOTTOM, PALE)
    yield words(RIGHT + 3, upper + 3.5, "limit", size=9)
    yield words(RIGHT + 3, lower + 3.5, "limit", size=9)
    for off, label in ticks(axis.high, unit):
        yield line(LEFT - 4, axis.place(off), LEFT, axis.place(off), GREY)
        yield words(LEFT - 7, axis.place(off) + 3.5, label, "end", 10)
    yield words(LEFT - 7, BOTTOM + 28, {"deg": "degrees"}.get(unit, unit), "end", 10, GREY)
    for number in whole_ticks(last):
        yield line(across(number, last), BOTTOM, across(number, last), BOTTOM + 4, GREY)
        yield words(across(number, last), BOTTOM + 15, f"{number}", "middle", 10)
    yield words((LEFT + RIGHT) / 2, BOTTOM + 28, "units in the order measured", "middle", 10, GREY)
    yield words((BARS + END) / 2, BOTTOM + 28, "how many", "middle", 10, GREY)


def _limits(charted: Charted, axis: Axis) -> Iterator[Element]:
    """Centre and three sigma of what varies from unit to unit: dashed, where they lie in the picture."""
    limits, one = charted.limits, charted.dimension
    if limits is None:
        return
    taken = [axis.place(one.limit), axis.place(-one.limit)]
    for value, dash, label in (
        (limits.centre, "1 3", "mean"),
        (limits.upper, "5 4", "3 sigma"),
        (limits.lower, "5 4", "3 sigma"),
    ):
        if axis.low <= value - one.planned <= axis.high:
            y = axis.place(value - one.planned)
            yield line(LEFT, y, RIGHT, y, ORANGE, 1.4, dash)
            if all(abs(y - other) >= LABEL for other in taken):  # else it would stand on another
                yield words(RIGHT + 3, y + 3.0, label, size=9, fill=GREY)
                taken.append(y)


def _drift(charted: Charted, axis: Axis) -> Iterator[Element]:
    """The straight line through a drift that is called one."""
    if charted.drift is None or not charted.drifts:
        return
    ends = [charted.numbers[0], charted.numbers[-1]]
    places = [(across(x, ends[1]), axis.place(charted.drift.at(x)[0] - charted.dimension.planned)) for x in ends]
    yield path(places, stroke=INK, stroke_width=1.6, stroke_dasharray="10 3 2 3")


def _points(charted: Charted, axis: Axis, last: int) -> Iterator[Element]:
    """Dots within the limits, triangles beyond, squares where a run rule is met; of very many what they span."""
    one, off = charted.dimension, [value - charted.dimension.planned for value in charted.values]
    if len(off) > MOST_DOTS:
        yield _spans(charted.numbers, off, axis, last)
    else:
        if len(off) > 1:
            line_through = [(across(n, last), axis.place(v)) for n, v in zip(charted.numbers, off, strict=True)]
            yield path(line_through, stroke=BLUE, stroke_width=0.6, stroke_opacity=0.6)
        for number, value in zip(charted.numbers, off, strict=True):
            if abs(value) <= one.limit:
                yield dot(across(number, last), axis.place(value))
    beyond = [(n, v) for n, v in zip(charted.numbers, off, strict=True) if abs(v) > one.limit]
    for number, value in beyond[:MOST_DOTS]:
        yield triangle(across(number, last), axis.place(value), value > 0.0)
    for signal in charted.signals[:MOST_DOTS]:
        yield ring(across(charted.numbers[signal.first], last), axis.place(off[signal.first]))


def _spans(numbers: Sequence[int], off: Sequence[float], axis: Axis, last: int) -> Element:
    """From the least to the greatest of neighbours, a stroke for each place on paper."""
    places = np.round([across(number, last) for number in numbers])
    values, parts = np.array(off), []
    for place in np.unique(places):
        mine = values[places == place]
        parts.append(f"M{place:g} {axis.place(float(mine.min())) + 0.7:.1f}V{axis.place(float(mine.max())) - 0.7:.1f}")
    made = path([(0.0, 0.0)], stroke=BLUE, stroke_width=1)
    made.set("d", " ".join(parts))
    return made


def _histogram(charted: Charted, axis: Axis) -> Iterator[Element]:
    """Bars that lie, on the same scale as the run chart."""
    off = np.clip([value - charted.dimension.planned for value in charted.values], axis.low, axis.high)
    counts, edges = np.histogram(off, BINS, (axis.low, axis.high))
    most = max(int(counts.max()), 1)
    for count, low, high in zip(counts.tolist(), edges[:-1], edges[1:], strict=True):
        if count:
            top, bottom = axis.place(float(high)), axis.place(float(low))
            yield rectangle(BARS, top + 0.5, (END - BARS - 26) * count / most, bottom - top - 1, BLUE, 0.75)
            if count == most:
                yield words(BARS + (END - BARS - 26) + 4, (top + bottom) / 2 + 3.5, f"{count}", size=10)
    yield from _bell(charted, axis, most, float(edges[1] - edges[0]))


def _bell(charted: Charted, axis: Axis, most: int, wide: float) -> Iterator[Element]:
    """The normal distribution of the same mean and spread, in whose terms capability is told."""
    spread, planned = charted.spread, charted.dimension.planned
    if charted.capability is None or spread.count < 8:
        return
    off = np.linspace(axis.low, axis.high, 121)
    density = np.exp(-(((off + planned - spread.mean) / spread.sd) ** 2) / 2.0) / (spread.sd * np.sqrt(2.0 * np.pi))
    share = np.minimum(density * spread.count * wide / most, 1.15)
    yield path(
        [(BARS + (END - BARS - 26) * float(s), axis.place(float(x))) for s, x in zip(share, off, strict=True)],
        stroke=INK,
        stroke_width=1.1,
        stroke_dasharray="3 2",
    )
