"""What a report says: numbers and words, gathered from sessions; no drawing, no file."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from projector.piecing.lengths import is_metric
from projector.piecing.plans import Plan, Unit
from projector.piles.dimensions import NOT_MEASURED, Dimension, Reading, number, readings_of
from projector.piles.laidanew import Told, told_alike
from projector.telling.plansaid import shape_of
from vision.comparing.expected import ExpectedShape, Tolerance
from vision.pile import Spread, spread
from vision.statistics.capability import Capability, Interval, capability
from vision.statistics.drift import Line, line_through
from vision.statistics.groups import Groups, groups_of
from vision.statistics.runchart import ALONE, Limits, Rule, Signal, limits_by_sd, limits_of, signals
from vision.statistics.tolerance_interval import most_lie_between, share_outside_at_most

LEAST = 8  # units before control limits and run rules say anything: fewer make no run of eight
FEWEST = 4  # before anything is said of all that will be cut
DRIFTS = 0.01  # so improbable must a slope be by chance, to be called a drift
MOST_WORST = 6
NO_NAME = "unnamed"
KINDS = ("width", "side", "angle", "seam")  # in the order in which a page has them

ShapeOf = Callable[[str], ExpectedShape | None]  # what a unit of that name should be


@dataclass(frozen=True, slots=True)
class Sitting:
    """A session as a report wants it."""

    id: int
    started: datetime
    ended: datetime | None
    command: str
    rig: str


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """One unit: where it stands in the records, what was said of it, and its dimensions."""

    session: int
    n: int
    at: datetime
    name: str
    verdict: str  # "" where it was measured and not judged
    event: Mapping[str, Any]
    readings: Told

    @property
    def why(self) -> str:
        return str(self.event.get("why") or "")

    @property
    def worst(self) -> float:
        """How far the worst dimension is off, in tolerances; 0 where nothing was measured."""
        return max((abs(reading.value - one.planned) / one.limit for one, reading in self._limited), default=0.0)

    @property
    def _limited(self) -> Iterable[tuple[Dimension, Reading]]:
        return ((one, reading) for one, reading in self.readings if one.limit > 0.0)


@dataclass(frozen=True, eq=False, slots=True)
class Charted:
    """One dimension over all units of a kind. `numbers` are the units', as their kind counts them."""

    dimension: Dimension
    numbers: tuple[int, ...]
    sessions: tuple[int, ...]
    values: tuple[float, ...]
    spread: Spread
    u: float  # median of the stated standard uncertainties
    limits: Limits | None  # of fewer than `LEAST` units none
    signals: tuple[Signal, ...]
    capability: Capability | None
    drift: Line | None  # against the units' numbers
    most: Interval | None  # between what 95 of 100 of all units lie
    out_at_most: float  # share of all units out of the limits, 95 % sure, no less than is; 1 where nothing is known

    @property
    def out(self) -> int:
        """Readings out of the limits."""
        return sum(not self.dimension.lower <= value <= self.dimension.upper for value in self.values)

    @property
    def by_session(self) -> tuple[tuple[int, ...], Groups] | None:
        """The sessions, and how their means differ; None of fewer than two."""
        ids = tuple(dict.fromkeys(self.sessions))
        groups = groups_of([[v for v, own in zip(self.values, self.sessions, strict=True) if own == i] for i in ids])
        return None if groups is None else (ids, groups)

    @property
    def drifts(self) -> bool:
        return self.drift is not None and self.drift.by_chance < DRIFTS


@dataclass(frozen=True, eq=False, slots=True)
class Kind:
    """All units of one kind; `shape` is None where the plan does not say what they should be."""

    name: str
    shape: ExpectedShape | None
    planned: int | None
    units: tuple[Measured, ...]
    charts: tuple[Charted, ...]

    @property
    def read(self) -> tuple[Measured, ...]:
        """The units of which something was read: the first of them is number 1, as a forecast counts them too."""
        return tuple(unit for unit in self.units if unit.readings)

    @property
    def worst(self) -> tuple[Measured, ...]:
        """The units that are farthest off, of those that do not fit; where all fit, the three farthest off."""
        ranked = sorted(self.read, key=lambda unit: -unit.worst)
        bad = [unit for unit in ranked if unit.verdict not in ("fits", "")]
        return tuple(bad[:MOST_WORST] or ranked[: MOST_WORST // 2])


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """One plan, all its sessions in the report, and what was measured in them."""

    plan: Plan | None
    title: str
    metric: bool
    sittings: tuple[Sitting, ...]
    kinds: tuple[Kind, ...]

    @property
    def drifting(self) -> tuple[tuple[Kind, Charted], ...]:
        """Every dimension that drifts."""
        return tuple((kind, one) for kind in self.kinds for one in kind.charts if one.drifts)

    @property
    def tells_drift(self) -> bool:
        """Whether there are units enough of any kind."""
        return any(one.drift is not None for kind in self.kinds for one in kind.charts)

    @property
    def to_cut(self) -> int:
        """How many units the plan wants cut; what is sewn of them comes on top."""
        cut = {unit.name for unit in self.plan.units if unit.cut or unit.lay} if self.plan is not None else set()
        return sum(kind.planned or 0 for kind in self.kinds if kind.name in cut)

    @property
    def units(self) -> tuple[Measured, ...]:
        """In the order measured."""
        return tuple(sorted((unit for kind in self.kinds for unit in kind.units), key=lambda one: (one.at, one.n)))


def part_of(plan: Plan | None, title: str, sittings: Sequence[Sitting], units: Iterable[Measured]) -> Part:
    """Kinds come in the plan's order. Lengths are told as the plan has them, without one as the units are named."""
    by_name: dict[str, list[Measured]] = {unit.name: [] for unit in plan.units} if plan is not None else {}
    for unit in units:
        by_name.setdefault(unit.name, []).append(unit)
    kinds = tuple(_kind(name, plan, found) for name, found in by_name.items())
    metric = plan.metric if plan is not None else is_metric(" ".join(by_name))
    return Part(plan, title, metric, tuple(sittings), kinds)


def measured(
    plan: Plan | None,
    shapes: ShapeOf,
    session: int,
    n: int,
    at: datetime,
    name: str | None,
    verdict: str | None,
    event: Mapping[str, Any],
    anew: bool = False,
) -> Measured:
    """A unit of the records, its dimensions read; `anew` if it was measured as it was laid down, not as it was cut."""
    named = name or str(event.get("expected") or NO_NAME)
    if event.get("event") == "strip":
        return Measured(session, n, at, f"strip {named}", verdict or "", event, _strip_width(plan, event))
    shape = shapes(named)
    readings = {} if shape is None else readings_of(event, shape)
    told = () if shape is None else told_alike(readings, shape, anew)
    return Measured(session, n, at, named, verdict or "", event, told)


def _strip_width(plan: Plan | None, event: Mapping[str, Any]) -> Told:
    """The width of a strip that was cut, against the one it was cut to."""
    wanted, width = number(event.get("band_mm")), number(event.get("width_mm"))
    if not (math.isfinite(wanted) and math.isfinite(width)) or event.get("verdict") in NOT_MEASURED:
        return ()
    limit = Tolerance().width_mm if plan is None else plan.tolerance_mm
    return ((Dimension("width", "width", (0, 1), wanted, limit), Reading(width, number(event.get("width_u_mm")))),)


def _kind(name: str, plan: Plan | None, units: Sequence[Measured]) -> Kind:
    shape = shape_of(plan, name)
    dimensions = dict.fromkeys(one for unit in units for one, _ in unit.readings)
    ordered = sorted(dimensions, key=lambda one: (KINDS.index(one.kind), one.places, one.name))
    charts = [_charted(one, units) for one in ordered]
    known = {unit.name: unit for unit in plan.units} if plan is not None else {}
    planned = _planned(known[name], plan) if plan is not None and name in known else None
    return Kind(name, shape, planned, tuple(units), tuple(one for one in charts if one is not None))


def _planned(unit: Unit, plan: Plan) -> int | None:
    """How many the plan wants: to be cut, or to be sewn."""
    if unit.cut or unit.lay:
        return unit.cut.make if unit.cut else unit.lay.make if unit.lay else None
    return sum(step.count for step in plan.steps if step.makes == unit.name) or None


def _charted(dimension: Dimension, units: Sequence[Measured]) -> Charted | None:
    read = [unit for unit in units if unit.readings]
    told = [
        (i + 1, unit.session, reading)
        for i, unit in enumerate(read)
        for one, reading in unit.readings
        if one == dimension
    ]
    if not told:
        return None
    numbers, sessions = tuple(number for number, _, _ in told), tuple(session for _, session, _ in told)
    values = tuple(reading.value for _, _, reading in told)
    us = sorted(reading.u for _, _, reading in told if math.isfinite(reading.u))
    pooled, whole = dimension.each > 1, spread(values)
    limits = None
    if len(values) >= LEAST:
        limits = limits_by_sd(whole.mean, whole.sd) if pooled else limits_of(values)
    able = capability(values, dimension.lower, dimension.upper)
    out = sum(not dimension.lower <= value <= dimension.upper for value in values) / len(values)
    return Charted(
        dimension,
        numbers,
        sessions,
        values,
        whole,
        us[len(us) // 2] if us else math.nan,
        limits,
        () if limits is None else signals(values, limits.centre, limits.sigma, ALONE if pooled else tuple(Rule)),
        able,
        line_through(*_by_unit(numbers, values)) if len(set(numbers)) >= LEAST else None,
        most_lie_between(able.count, able.mean, able.sd) if able is not None and able.count >= FEWEST else None,
        1.0 if able is None else max(out, share_outside_at_most(able, dimension.lower, dimension.upper)),
    )


def _by_unit(numbers: Sequence[int], values: Sequence[float]) -> tuple[list[int], list[float]]:
    """Several readings of one unit are no several units: their mean stands for them."""
    by_number: dict[int, list[float]] = {}
    for unit, value in zip(numbers, values, strict=True):
        by_number.setdefault(unit, []).append(value)
    return list(by_number), [sum(mine) / len(mine) for mine in by_number.values()]
