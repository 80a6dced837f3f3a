"""While units are measured: each dimension's run chart goes on, and what a run rule calls is told at once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from projector.guide.pile.charts import MOST, Chart
from projector.piles.dimensions import Dimension, readings_of
from projector.piles.laidanew import dimensions_anew, told_alike
from projector.telling.events import DEG_PLACES, MM_PLACES, Event
from vision.comparing.expected import ExpectedShape
from vision.pile import spread
from vision.statistics.capability import capability
from vision.statistics.runchart import ALONE, Limits, Rule, limits_by_sd, limits_from, signals_at_end

LEAST = 8  # units before anything is called, as in the report
IN_THE_LIGHT = ("width", "angle")


@dataclass(slots=True)
class Run:
    """A dimension so far, with sums, so that one more unit of a long pile takes no longer than of a short one."""

    values: list[float] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)  # of the units, from 1; one may have several values
    total: float = 0.0
    squares: float = 0.0  # of the distances from the first value
    ranges: float = 0.0  # of neighbours, summed
    call: str = ""  # what a rule called last
    called_at: int = 0  # how many values there were then

    def add(self, value: float, number: int) -> None:
        self.numbers.append(number)
        self.ranges += abs(value - self.values[-1]) if self.values else 0.0
        self.total += value
        self.squares += (value - (self.values or [value])[0]) ** 2
        self.values.append(value)

    def without(self, number: int) -> Run:
        """The same as if this unit had never been measured. A call that it had a part in is called no more."""
        left = Run()
        for value, other in zip(self.values, self.numbers, strict=True):
            if other != number:
                left.add(value, other - (other > number))
        if number not in self.numbers[max(self.called_at - LEAST, 0) :]:
            left.call, left.called_at = self.call, self.called_at - len(self.values) + len(left.values)
        return left

    def limits(self, one: Dimension) -> Limits:
        """Of two values or more: by neighbours, or of a dimension that a unit has several readings of by all."""
        count = len(self.values)
        mean = self.total / count
        if one.each == 1:
            return limits_from(mean, self.ranges / (count - 1))
        left = self.squares - count * (mean - self.values[0]) ** 2
        return limits_by_sd(mean, math.sqrt(max(left, 0.0) / (count - 1)))

    @property
    def recent_call(self) -> str:
        """What was called not long ago: the hand may have changed since."""
        return self.call if len(self.values) - self.called_at < LEAST else ""


class RunWatch:
    """Hears what is kept in a session, and says `seen` `run_chart` for each beginning of a rule's being met.

    Limits are those of the units so far. A unit that is taken back leaves the chart, and those after it have
    another number. What cannot be told apart on a unit that was laid down anew, as a square's widths, is one dimension.
    """

    def __init__(self, shape: ExpectedShape, before: Iterable[Mapping[str, Any]] = ()) -> None:
        self._shape = shape
        self._runs = {one: Run() for one in dimensions_anew(shape)}
        self._units = 0
        for event in before:
            for _ in self._take(event):
                pass
        self._sitting: list[int] = []  # the number of each unit heard in this sitting; 0 of one that tells nothing

    def hears(self, event: Event) -> list[Event]:
        """One event, and what is called by it. Only units count; those taken back go by their number in it."""
        called: list[Event] = []
        if event.get("what") == "undone" and isinstance(number := event.get("number"), int):
            self._take_back(number)
        before = self._units
        for one, run in self._take(event):
            if len(run.values) < LEAST:
                continue
            limits, rules = run.limits(one), tuple(Rule) if one.each == 1 else ALONE
            for signal in signals_at_end(run.values, limits.centre, limits.sigma, rules):
                words = signal.words(run.numbers[-1])
                run.call, run.called_at = words.partition(":")[0], len(run.values)
                call = {"dimension": one.name, "calls": signal.rule.calls, "upward": signal.upward}
                figures = {"number": run.numbers[-1], **_limits(one, limits), "words": f"{one.name}: {words}"}
                called.append({"event": "seen", "what": "run_chart", **call, **figures})
        if event["event"] == "unit":
            self._sitting.append(self._units if self._units > before else 0)
        return called

    def keys(self) -> Event:
        """Every dimension so far, for the summary."""
        return {"dimensions": [_figures(one, run) for one, run in self._runs.items() if run.values]}

    def charts(self) -> tuple[Chart, ...]:
        """Of a width and of an angle, for the light: what a rule called of late, else what comes nearest its limits."""
        found = []
        for kind in IN_THE_LIGHT:
            runs = {one: run for one, run in self._runs.items() if one.kind == kind and run.values}
            if runs:
                one = max(runs, key=lambda one: (bool(runs[one].recent_call), _reach(one, runs[one])))
                found.append(_chart(one, runs[one]))
        return tuple(found)

    def _take_back(self, unit: int) -> None:
        """A unit by its place in this sitting, from 1."""
        number = self._sitting[unit - 1] if 0 < unit <= len(self._sitting) else 0
        if not number:
            return
        self._runs = {one: run.without(number) for one, run in self._runs.items()}
        self._sitting[unit - 1] = 0
        self._sitting = [other - (other > number) for other in self._sitting]
        self._units -= 1

    def _take(self, event: Mapping[str, Any]) -> Iterator[tuple[Dimension, Run]]:
        """Each run that goes on, when it has its next value."""
        told = told_alike(readings_of(event, self._shape), self._shape)
        self._units += bool(told)
        for one, reading in told:
            self._runs[one].add(reading.value, self._units)
            yield one, self._runs[one]


def _reach(one: Dimension, run: Run) -> float:
    """How far the units reach from what is planned, over the tolerance."""
    spread = 3.0 * run.limits(one).sigma if len(run.values) >= LEAST else 0.0
    return (abs(run.total / len(run.values) - one.planned) + spread) / one.limit


def _chart(one: Dimension, run: Run) -> Chart:
    limits = run.limits(one) if len(run.values) >= LEAST else None
    return Chart(
        one.name,
        one.limit,
        tuple(value - one.planned for value in run.values[-MOST:]),
        None if limits is None else (limits.lower - one.planned, limits.upper - one.planned),
        run.recent_call,
    )


def _limits(one: Dimension, limits: Limits) -> Event:
    """Mean and control limits, mm or degrees."""
    return {
        name: _rounded(one, value)
        for name, value in (("mean", limits.centre), ("lower", limits.lower), ("upper", limits.upper))
    }


def _figures(one: Dimension, run: Run) -> Event:
    values = run.values
    told, able = spread(values), capability(values, one.lower, one.upper)
    figures: Event = {
        "name": one.name,
        "unit": one.unit,
        "planned": _rounded(one, one.planned),
        "limit": _rounded(one, one.limit),
        "count": told.count,
        "mean": _rounded(one, told.mean),
        "sd": _rounded(one, told.sd),
    }
    if len(values) >= LEAST:
        figures |= {key: value for key, value in _limits(one, run.limits(one)).items() if key != "mean"}
    if able is not None:
        figures["cpk"] = [round(number, 3) for number in (able.cpk.value, able.cpk.low, able.cpk.high)]
    return figures


def _rounded(one: Dimension, value: float) -> float:
    return round(value, DEG_PLACES if one.unit == "deg" else MM_PLACES)
