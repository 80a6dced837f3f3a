"""While units are measured: each dimension's run chart goes on, and what a run rule calls is told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from projector.dimensions import Dimension, readings_of
from projector.events import DEG_PLACES, MM_PLACES, Event
from projector.laidanew import dimensions_anew, told_alike
from vision.expected import ExpectedShape
from vision.pile import spread
from vision.statistics.capability import capability
from vision.statistics.runchart import Limits, limits_from, signals_at_end

LEAST = 8  # units before anything is called, as in the report
Tell = Callable[..., object]


@dataclass(slots=True)
class Run:
    """A dimension so far, with sums, so that one more unit of a long pile takes no longer than of a short one."""

    values: list[float] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)  # of the units, from 1; one may have several values
    total: float = 0.0
    ranges: float = 0.0  # of neighbours, summed

    def add(self, value: float, number: int) -> None:
        self.numbers.append(number)
        self.ranges += abs(value - self.values[-1]) if self.values else 0.0
        self.total += value
        self.values.append(value)

    @property
    def limits(self) -> Limits:
        """Of two values or more."""
        return limits_from(self.total / len(self.values), self.ranges / (len(self.values) - 1))


class RunWatch:
    """Hears every event of a session, and tells `seen` `run_chart` for each beginning of a rule's being met.

    Limits are those of the units so far. A unit that is taken back later stays in: it was cut by the same hand. What
    cannot be told apart on a unit that was laid down anew, as a square's widths, is one dimension.
    """

    def __init__(self, shape: ExpectedShape, tell: Tell, before: Iterable[Mapping[str, Any]] = ()) -> None:
        self._shape, self._tell = shape, tell
        self._runs = {one: Run() for one in dimensions_anew(shape)}
        self._units = 0
        for event in before:
            for _ in self._take(event):
                pass

    def hears(self, event: Event) -> None:
        """One event; only units count."""
        for one, run in self._take(event):
            if len(run.values) < LEAST:
                continue
            limits = run.limits
            for signal in signals_at_end(run.values, limits.centre, limits.sigma):
                self._tell(
                    "seen",
                    what="run_chart",
                    dimension=one.name,
                    calls=signal.rule.calls,
                    upward=signal.upward,
                    number=run.numbers[-1],
                    **_limits(one, limits),
                    words=f"{one.name}: {signal.words(run.numbers[-1])}",
                )

    def keys(self) -> Event:
        """Every dimension so far, for the summary."""
        return {"dimensions": [_figures(one, run) for one, run in self._runs.items() if run.values]}

    def _take(self, event: Mapping[str, Any]) -> Iterator[tuple[Dimension, Run]]:
        """Each run that goes on, when it has its next value."""
        told = told_alike(readings_of(event, self._shape), self._shape)
        self._units += bool(told)
        for one, reading in told:
            self._runs[one].add(reading.value, self._units)
            yield one, self._runs[one]


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
        figures |= {key: value for key, value in _limits(one, run.limits).items() if key != "mean"}
    if able is not None:
        figures["cpk"] = [round(number, 3) for number in (able.cpk.value, able.cpk.low, able.cpk.high)]
    return figures


def _rounded(one: Dimension, value: float) -> float:
    return round(value, DEG_PLACES if one.unit == "deg" else MM_PLACES)
