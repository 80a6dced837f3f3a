"""The tool examines itself: readings of the same units, several times over, become a gauge study of each dimension."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from projector.piles.dimensions import Dimension, Event, Reading, dimensions_of, outline_of, readings_of
from projector.piles.symmetry import laid_like, renumbered
from vision.comparing.expected import ExpectedShape
from vision.comparing.symmetry import symmetries
from vision.statistics.gauge import Grade, Study, by_variance, grade_of

Floats = NDArray[np.float64]

NUMBERED = {
    key: re.compile(rf"(?:^|[^a-z]){key}(?:{rest})?[ _-]?(\d+)", re.I)
    for key, rest in (("u", "nit"), ("r", "ound"), ("p", "erson"))
}
DO_ORDER = "give every unit once a round, round after round, or number the pictures like u03_r2_p1.jpg"


class GaugeError(Exception):
    """The study cannot be made of what was given; the message says in one line what is missing."""


@dataclass(frozen=True, slots=True)
class Look:
    """One picture or one moment at the table, and the events of the units in it."""

    name: str
    units: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Which unit, by whom, in which round, each counted from 0."""

    unit: int
    person: int
    round: int


@dataclass(frozen=True, eq=False, slots=True)
class Gauged:
    """One dimension: its readings (units, people, rounds), and the study of them."""

    dimension: Dimension
    readings: Floats
    study: Study
    u: float  # what the tool says of itself: root mean square of the stated standard uncertainties

    @property
    def percent_of_tolerance(self) -> float:
        return self.study.percent_of_tolerance(2.0 * self.dimension.limit)

    @property
    def grade(self) -> Grade:
        return grade_of(self.percent_of_tolerance)


@dataclass(frozen=True, eq=False, slots=True)
class SelfStudy:
    """All dimensions of one kind of unit. `numbers` are the units that were studied, counted from 1."""

    shape: ExpectedShape
    gauged: tuple[Gauged, ...]
    numbers: tuple[int, ...]
    people: int
    rounds: int
    left_out: tuple[str, ...]  # in words: which unit, and why

    @property
    def worst(self) -> Gauged:
        return max(self.gauged, key=lambda one: one.percent_of_tolerance)


def study_of(looks: Sequence[Look], shape: ExpectedShape, rounds: int, people: int = 1) -> SelfStudy:
    """Of looks that show one unit each, in a fixed order or numbered; or all units each, told apart by their place.

    A unit that was not measured well each time is left out, and it is said. Raises GaugeError.
    """
    seen = _placed(looks, rounds, people)
    count = 1 + max(place.unit for place in seen)
    beyond = any(place.person >= people or place.round >= rounds for place in seen)
    if beyond or len(seen) != count * people * rounds:
        raise GaugeError(f"{_so_many(count, people, rounds)} were expected, {len(seen)} came; {DO_ORDER}")
    dimensions = dimensions_of(shape)
    tables = {unit + 1: _table(seen, unit, rounds, people, shape, dimensions) for unit in range(count)}
    left_out = tuple(f"unit {number}: {why}" for number, why in tables.items() if isinstance(why, str))
    kept = {number: table for number, table in tables.items() if not isinstance(table, str)}
    if not kept:
        raise GaugeError(f"no unit was measured every time ({'; '.join(left_out[:3])}); look at the pictures")
    values = np.array(list(kept.values()))
    gauged = tuple(_gauged(one, values[:, :, :, i]) for i, one in enumerate(dimensions))
    return SelfStudy(shape, gauged, tuple(kept), people, rounds, left_out)


def _table(
    seen: Mapping[Place, Event],
    unit: int,
    rounds: int,
    people: int,
    shape: ExpectedShape,
    dimensions: Sequence[Dimension],
) -> Floats | str:
    """(people, rounds, dimensions, value and u) of one unit; or why it cannot be used."""
    ways, first = symmetries(shape), outline_of(seen[Place(unit, 0, 0)])
    values = np.empty((people, rounds, len(dimensions), 2))
    for person, turn in np.ndindex(people, rounds):
        event = seen[Place(unit, person, turn)]
        readings, outline = readings_of(event, shape), outline_of(event)
        lacking = next((one for one in dimensions if one not in readings), None)
        if lacking is not None or outline is None or first is None:
            who = f" of person {person + 1}" if people > 1 else ""
            return f"round {turn + 1}{who}, {_why_not(event, readings, lacking)}"
        told = renumbered(readings, laid_like(outline, first, ways), len(outline))
        values[person, turn] = [(told[one].value, told[one].u) for one in dimensions]
    return values


def _why_not(event: Event, readings: Mapping[Dimension, Reading], lacking: Dimension | None) -> str:
    verdict = str(event.get("verdict") or "").replace("_", " ")
    return verdict if verdict and not readings else f"no {lacking.name}" if lacking else "not measured"


def _gauged(dimension: Dimension, values: Floats) -> Gauged:
    readings = values[..., 0]
    return Gauged(dimension, readings, by_variance(readings), float(np.sqrt(np.mean(values[..., 1] ** 2))))


def _placed(looks: Sequence[Look], rounds: int, people: int) -> dict[Place, Event]:
    """Which unit of which round by whom each event is."""
    if rounds < 2:
        raise GaugeError("repeatability needs two rounds or more; measure every unit again")
    if not looks:
        raise GaugeError(f"nothing was measured; {DO_ORDER}")
    counts = {len(look.units) for look in looks}
    if counts == {1}:
        return dict(_numbered(looks) or _in_order([look.units[0] for look in looks], rounds, people))
    if len(counts) > 1 or 0 in counts:
        usual = max(counts, key=lambda count: sum(len(look.units) == count for look in looks))
        odd = next(look for look in looks if len(look.units) != usual or not usual)
        raise GaugeError(f"{odd.name} shows {len(odd.units)} units, others {usual}; {DO_ORDER}")
    if len(looks) != people * rounds:
        raise GaugeError(f"{people * rounds} pictures of all units were expected, {len(looks)} came; {DO_ORDER}")
    return dict(_by_place(looks, rounds))


def _in_order(units: Sequence[Event], rounds: int, people: int) -> Iterator[tuple[Place, Event]]:
    """Person after person, round after round, unit after unit."""
    count, rest = divmod(len(units), rounds * people)
    if rest or not count:
        each = f"{rounds} rounds" + (f" by {people} people" if people > 1 else "")
        raise GaugeError(f"{len(units)} readings are no whole number of units in {each}; {DO_ORDER}")
    for i, event in enumerate(units):
        yield Place(i % count, i // (count * rounds), i // count % rounds), event


def _numbered(looks: Sequence[Look]) -> list[tuple[Place, Event]] | None:
    """By the numbers in the names of the pictures; None where not all of them have any."""
    found = [{key: pattern.search(PurePath(look.name).stem) for key, pattern in NUMBERED.items()} for look in looks]
    if not all(one["u"] and one["r"] for one in found):
        return None
    said = [tuple(int(m.group(1)) if (m := one[key]) else 1 for key in ("u", "p", "r")) for one in found]
    order = [{number: i for i, number in enumerate(sorted({one[k] for one in said}))} for k in range(3)]
    places = [Place(*(order[k][number] for k, number in enumerate(one))) for one in said]
    twice = next((look.name for i, look in enumerate(looks) if places[i] in places[:i]), None)
    if twice is not None:
        raise GaugeError(f"{twice}: this unit and round is there twice; {DO_ORDER}")
    return [(place, look.units[0]) for place, look in zip(places, looks, strict=True)]


def _by_place(looks: Sequence[Look], rounds: int) -> Iterator[tuple[Place, Event]]:
    """Each unit is the one of the first picture that lay nearest; no nearer to another than to itself."""
    first = [_middle(event, looks[0]) for event in looks[0].units]
    apart = np.abs(np.array(first)[:, None] - np.array(first)[None, :]) + np.diag(np.full(len(first), np.inf))
    for i, look in enumerate(looks):
        away = np.abs(np.array([_middle(event, look) for event in look.units])[:, None] - np.array(first)[None, :])
        for row, unit in zip(*linear_sum_assignment(away), strict=True):
            if away[row, unit] >= apart[unit].min() / 2.0:
                do = "lay every unit down where it lay before, or one at a time"
                raise GaugeError(f"{look.name}: it cannot be told which unit is number {unit + 1}; {do}")
            yield Place(int(unit), i // rounds, i % rounds), look.units[row]


def _middle(event: Event, look: Look) -> complex:
    outline = outline_of(event)
    if outline is None:
        raise GaugeError(f"{look.name}: a unit without an outline; measure it again")
    return complex(*outline.mean(axis=0))


def _so_many(units: int, people: int, rounds: int) -> str:
    return f"{units * people * rounds} readings ({units} units, {people} people, {rounds} rounds)"
