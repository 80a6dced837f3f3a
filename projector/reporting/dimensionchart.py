"""One dimension against its tolerance: every unit in the order measured, and beside it how often each size came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from projector.piles.dimensions import Dimension
from projector.reporting.contents import Charted
from projector.reporting.figures import off_words, planned_words, run_words, size_words
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

TALL = 180.0
LEFT, TOP, BOTTOM = 58.0, 12.0, 146.0  # of the run chart
MOST_DOTS = 400  # more units are drawn as what they span, so that a page of thousands stays small
BINS = 24
LABEL = 9.0  # height of one beside the run chart


@dataclass(frozen=True, slots=True)
class Room:
    """The width of a chart: the run chart ends at `right`, the histogram lies from `bars` to `end`."""

    wide: float
    right: float
    bars: float
    end: float
    ticks: int  # at most so many numbers of units

    def across(self, number: float, last: int) -> float:
        """Where a unit's number comes to lie."""
        inside = self.right - LEFT - 16.0
        return LEFT + 8.0 + inside * (0.5 if last == 1 else (number - 1) / (last - 1))


FULL = Room(720.0, 500.0, 548.0, 706.0, 10)
HALF = Room(400.0, 262.0, 306.0, 392.0, 5)  # two of them stand side by side


def dimension_chart(charted: Charted, unit: str, room: Room = FULL) -> str:
    """SVG. `unit` is that of the labels: "in", "mm" or "deg"."""
    one = charted.dimension
    reach = reach_of(one, charted.values)
    axis = Axis(-reach, reach, BOTTOM, TOP)
    last = max(charted.numbers)
    parts = [
        *_ground(one, axis, unit, last, room),
        *_sessions(charted, last, room),
        *_limits(charted, axis, room),
        *_drift(charted, axis, room),
        *_points(charted, axis, last, room),
        *_histogram(charted, axis, room),
    ]
    return picture(room.wide, TALL, says(charted, unit), parts, "chart")


def says(charted: Charted, unit: str) -> str:
    """The picture in words."""
    one, spread, metric = charted.dimension, charted.spread, unit != "in"
    off, sd = off_words(spread.mean - one.planned, one, metric), size_words(spread.sd, one, metric)
    return (
        f"Run chart and histogram of {one.name}, {planned_words(one, metric)}: {spread.count} readings of "
        f"{len(set(charted.numbers))} units, {off} off in the mean, standard deviation {sd}, "
        f"{charted.out} out of the tolerance; {'; '.join(run_words(charted))}."
    )


def _ground(one: Dimension, axis: Axis, unit: str, last: int, room: Room) -> Iterator[Element]:
    """The tolerance as a band that both halves share, and the scales."""
    upper, lower = axis.place(one.limit), axis.place(-one.limit)
    for left, right in ((LEFT, room.right), (room.bars, room.end)):
        yield rectangle(left, upper, right - left, lower - upper, GREEN, 0.12)
        for y in (upper, lower):
            yield line(left, y, right, y, INK, 1.2)
        yield line(left, axis.place(0.0), right, axis.place(0.0), GREY, 0.8)
        yield line(left, TOP, left, BOTTOM, PALE)
    yield words(room.right + 3, upper + 3.5, "limit", size=9)
    yield words(room.right + 3, lower + 3.5, "limit", size=9)
    for off, label in ticks(axis.high, unit):
        yield line(LEFT - 4, axis.place(off), LEFT, axis.place(off), GREY)
        yield words(LEFT - 7, axis.place(off) + 3.5, label, "end", 10)
    yield words(LEFT - 7, BOTTOM + 28, {"deg": "degrees"}.get(unit, unit), "end", 10, GREY)
    for number in whole_ticks(last, room.ticks):
        yield line(room.across(number, last), BOTTOM, room.across(number, last), BOTTOM + 4, GREY)
        yield words(room.across(number, last), BOTTOM + 15, f"{number}", "middle", 10)
    yield words((LEFT + room.right) / 2, BOTTOM + 28, "units in the order measured", "middle", 10, GREY)
    yield words((room.bars + room.end) / 2, BOTTOM + 28, "how many", "middle", 10, GREY)


def _sessions(charted: Charted, last: int, room: Room) -> Iterator[Element]:
    """A dotted line where another session begins."""
    for before, session, number in zip(charted.sessions, charted.sessions[1:], charted.numbers[1:], strict=False):
        if session != before:
            x = room.across(number - 0.5, last)
            yield line(x, TOP, x, BOTTOM, INK, 1.0, "2 3")


def _limits(charted: Charted, axis: Axis, room: Room) -> Iterator[Element]:
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
            yield line(LEFT, y, room.right, y, ORANGE, 1.4, dash)
            if all(abs(y - other) >= LABEL for other in taken):  # else it would stand on another
                yield words(room.right + 3, y + 3.0, label, size=9, fill=GREY)
                taken.append(y)


def _drift(charted: Charted, axis: Axis, room: Room) -> Iterator[Element]:
    """The straight line through a drift that is called one."""
    if charted.drift is None or not charted.drifts:
        return
    ends = [charted.numbers[0], charted.numbers[-1]]
    places = [(room.across(x, ends[1]), axis.place(charted.drift.at(x)[0] - charted.dimension.planned)) for x in ends]
    yield path(places, stroke=INK, stroke_width=1.6, stroke_dasharray="10 3 2 3")


def _points(charted: Charted, axis: Axis, last: int, room: Room) -> Iterator[Element]:
    """Dots within the limits, triangles beyond, squares where a run rule is met; of very many what they span."""
    one, off = charted.dimension, [value - charted.dimension.planned for value in charted.values]
    if len(off) > MOST_DOTS:
        yield _spans(charted.numbers, off, axis, last, room)
    else:
        if one.each > 1:  # several readings of a unit stand one above the other
            yield _spans(charted.numbers, off, axis, last, room)
        elif len(off) > 1:
            line_through = [(room.across(n, last), axis.place(v)) for n, v in zip(charted.numbers, off, strict=True)]
            yield path(line_through, stroke=BLUE, stroke_width=0.6, stroke_opacity=0.6)
        for number, value in zip(charted.numbers, off, strict=True):
            if abs(value) <= one.limit:
                yield dot(room.across(number, last), axis.place(value))
    beyond = [(n, v) for n, v in zip(charted.numbers, off, strict=True) if abs(v) > one.limit]
    for number, value in beyond[:MOST_DOTS]:
        yield triangle(room.across(number, last), axis.place(value), value > 0.0)
    for signal in charted.signals[:MOST_DOTS]:
        yield ring(room.across(charted.numbers[signal.first], last), axis.place(off[signal.first]))


def _spans(numbers: Sequence[int], off: Sequence[float], axis: Axis, last: int, room: Room) -> Element:
    """From the least to the greatest of neighbours, a stroke for each place on paper."""
    places = np.round([room.across(number, last) for number in numbers], 0 if len(numbers) > MOST_DOTS else 1)
    values, parts = np.array(off), []
    for place in np.unique(places):
        mine = values[places == place]
        parts.append(f"M{place:g} {axis.place(float(mine.min())) + 0.7:.1f}V{axis.place(float(mine.max())) - 0.7:.1f}")
    made = path([(0.0, 0.0)], stroke=BLUE, stroke_width=1)
    made.set("d", " ".join(parts))
    return made


def _histogram(charted: Charted, axis: Axis, room: Room) -> Iterator[Element]:
    """Bars that lie, on the same scale as the run chart."""
    off = np.clip([value - charted.dimension.planned for value in charted.values], axis.low, axis.high)
    long = room.end - room.bars - 26
    counts, edges = np.histogram(off, BINS, (axis.low, axis.high))
    most = max(int(counts.max()), 1)
    for count, low, high in zip(counts.tolist(), edges[:-1], edges[1:], strict=True):
        if count:
            top, bottom = axis.place(float(high)), axis.place(float(low))
            yield rectangle(room.bars, top + 0.5, long * count / most, bottom - top - 1, BLUE, 0.75)
            if count == most:
                yield words(room.bars + long + 4, (top + bottom) / 2 + 3.5, f"{count}", size=10)
    yield from _bell(charted, axis, most, float(edges[1] - edges[0]), room)


def _bell(charted: Charted, axis: Axis, most: int, wide: float, room: Room) -> Iterator[Element]:
    """The normal distribution of the same mean and spread, in whose terms capability is told."""
    spread, planned = charted.spread, charted.dimension.planned
    if charted.capability is None or spread.count < 8:
        return
    off = np.linspace(axis.low, axis.high, 121)
    density = np.exp(-(((off + planned - spread.mean) / spread.sd) ** 2) / 2.0) / (spread.sd * np.sqrt(2.0 * np.pi))
    share = np.minimum(density * spread.count * wide / most, 1.15)
    long = room.end - room.bars - 26
    yield path(
        [(room.bars + long * float(s), axis.place(float(x))) for s, x in zip(share, off, strict=True)],
        stroke=INK,
        stroke_width=1.1,
        stroke_dasharray="3 2",
    )
