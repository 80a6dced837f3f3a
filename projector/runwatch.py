"""While units are measured: each dimension's run chart goes on, and what a run rule calls is told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from projector.dimensions import Dimension, dimensions_of, readings_of
from projector.events import DEG_PLACES, MM_PLACES, Event
from vision.expected import ExpectedShape
from vision.pile import spread
from vision.statistics.capability import capability
from vision.statistics.runchart import limits_of, signals

LEAST = 8  # units before anything is called, as in the report
Tell = Callable[..., object]


class RunWatch:
    """Hears every event of a session, and tells `seen` `run_chart` for each beginning of a rule's being met.

    Limits are those of the units so far. A unit that is taken back later stays in: it was cut by the same hand.
    """

    def __init__(self, shape: ExpectedShape, tell: Tell, before: Iterable[Mapping[str, Any]] = ()) -> None:
        self._shape, self._tell = shape, tell
        self._values: dict[Dimension, list[float]] = {one: [] for one in dimensions_of(shape)}
        for event in before:
            self._take(event)

    def hears(self, event: Event) -> None:
        """One event; only units count."""
        for one in self._take(event):
            values = self._values[one]
            if len(values) < LEAST:
                continue
            limits = limits_of(values)
            for signal in signals(values, limits.centre, limits.sigma):
                if signal.first == len(values) - 1:
                    self._tell(
                        "seen",
                        what="run_chart",
                        dimension=one.name,
                        calls=signal.rule.calls,
                        upward=signal.upward,
                        number=len(values),
                        **_limits(one, values),
                        words=f"{one.name}: {signal.words()}",
                    )

    def keys(self) -> Event:
        """Every dimension so far, for the summary."""
        return {"dimensions": [_figures(one, values) for one, values in self._values.items() if values]}

    def _take(self, event: Mapping[str, Any]) -> list[Dimension]:
        readings = readings_of(event, self._shape)
        for one, reading in readings.items():
            self._values[one].append(reading.value)
        return list(readings)


def _limits(one: Dimension, values: list[float]) -> Event:
    """Mean and control limits, mm or degrees."""
    limits = limits_of(values)
    return {
        name: _rounded(one, value)
        for name, value in (("mean", limits.centre), ("lower", limits.lower), ("upper", limits.upper))
    }


def _figures(one: Dimension, values: list[float]) -> Event:
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
        figures |= {key: value for key, value in _limits(one, values).items() if key != "mean"}
    if able is not None:
        figures["cpk"] = [round(number, 3) for number in (able.cpk.value, able.cpk.low, able.cpk.high)]
    return figures


def _rounded(one: Dimension, value: float) -> float:
    return round(value, DEG_PLACES if one.unit == "deg" else MM_PLACES)
