"""The dimensions of a unit, each against its limits, and what the event of a measured unit says of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vision.comparing.expected import ExpectedShape
from vision.comparing.rigidfit import best_fit
from vision.polygons import interior_angles, side_distances, sides_of
from vision.seams.place import placed_seams
from vision.units import MeasuredUnit, Seam

Floats = NDArray[np.float64]
Event = Mapping[str, Any]
Kind = Literal["width", "side", "angle", "seam"]

PARALLEL_RAD = math.radians(5.0)  # two sides this near to parallel are a width
NOT_MEASURED = frozenset({"look_again", "other", "turned_over"})  # verdicts on what is not the expected unit, or unseen
MOST = 1e6  # mm or degrees: what is more was never measured


@dataclass(frozen=True, slots=True)
class Dimension:
    """One figure that has limits: planned value plus or minus `limit`, mm or degrees.

    Of sides that belong to no width, and of seams, the figure is the offset from where the laid shape wants them.
    `places` are the sides of a width, the side, the corner, or the seam; `each` is how many readings a unit has of it,
    more than one where several places of it cannot be told apart.
    """

    kind: Kind
    name: str
    places: tuple[int, ...]
    planned: float
    limit: float
    each: int = 1

    @property
    def unit(self) -> Literal["mm", "deg"]:
        return "deg" if self.kind == "angle" else "mm"

    @property
    def lower(self) -> float:
        return self.planned - self.limit

    @property
    def upper(self) -> float:
        return self.planned + self.limit


@dataclass(frozen=True, slots=True)
class Reading:
    """What was measured, and its standard uncertainty; not a number where it is not known."""

    value: float
    u: float


@lru_cache(maxsize=64)
def dimensions_of(shape: ExpectedShape) -> tuple[Dimension, ...]:
    """Widths first, then sides that are in none, angles, and seams.

    >>> square = ExpectedShape("a", np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]]))
    >>> [one.name for one in dimensions_of(square)][:3]
    ['side 0 to side 2', 'side 1 to side 3', 'corner 0, side 3 to side 0']
    """
    corners, n = shape.corners_mm, len(shape.corners_mm)
    pairs = [pair for pair in combinations(range(n), 2) if _parallel(corners, *pair)]
    alone = [i for i in range(n) if not any(i in pair for pair in pairs)]
    names = [shape.side_name(i) for i in range(n)]
    angle_limit = math.degrees(shape.tolerance.angle_rad)
    widths = [
        Dimension(
            "width",
            f"{names[i]} to {names[j]}",
            (i, j),
            side_distances(corners, i, j)[0],
            max(shape.side_tolerance_mm(i), shape.side_tolerance_mm(j)),
        )
        for i, j in pairs
    ]
    sides = [Dimension("side", f"place of {names[i]}", (i,), 0.0, shape.side_tolerance_mm(i)) for i in alone]
    angles = [
        Dimension("angle", f"corner {i}, {names[i - 1]} to {names[i]}", (i,), math.degrees(angle), angle_limit)
        for i, angle in enumerate(interior_angles(corners).tolist())
    ]
    seams = [
        Dimension("seam", "place of the seam", (i,), 0.0, shape.tolerance.width_mm) for i in range(len(shape.seams_mm))
    ]
    return _told_apart([*widths, *sides, *angles, *seams])


def _parallel(corners: Floats, i: int, j: int) -> bool:
    one, other = sides_of(corners)[[i, j]]
    return abs(math.atan2(one[0] * other[1] - one[1] * other[0], -float(one @ other))) <= PARALLEL_RAD


def _told_apart(dimensions: list[Dimension]) -> tuple[Dimension, ...]:
    """Where names are alike, as of sides that have one name, their numbers are said too."""
    names = [one.name for one in dimensions]
    return tuple(
        one if names.count(one.name) == 1 else replace(one, name=f"{one.name} ({_numbers(one)})") for one in dimensions
    )


def _numbers(one: Dimension) -> str:
    return f"{'sides' if one.kind == 'width' else one.kind} {' and '.join(map(str, one.places))}"


def readings_of(event: Event, shape: ExpectedShape) -> dict[Dimension, Reading]:
    """What an event of a unit says of each dimension; those that it does not tell are left out.

    A unit that is not the expected one, was turned over or was not seen well tells nothing, and neither does an event
    that somebody has mangled.
    """
    if event.get("event") != "unit" or event.get("verdict") in NOT_MEASURED:
        return {}
    outline = outline_of(event)
    if outline is None or len(outline) != len(shape.corners_mm):
        return {}
    dimensions, told = dimensions_of(shape), _Told(event)
    seams = dict(_seams(event, shape, outline)) if len(shape.seams_mm) else {}
    found = {one: seams.get(one.places[0]) if one.kind == "seam" else told.reading(one) for one in dimensions}
    return {one: reading for one, reading in found.items() if reading is not None and abs(reading.value) < MOST}


class _Told:
    """The figures of an event, by what they are of."""

    def __init__(self, event: Event) -> None:
        self._event = event
        self._widths = {
            tuple(sorted(one["sides"])): Reading(float(one["mean"]), number(one.get("u")))
            for one in _listed(event.get("widths_mm"))
            if isinstance(one, Mapping) and _whole_list(one.get("sides")) and math.isfinite(number(one.get("mean")))
        }

    def reading(self, dimension: Dimension) -> Reading | None:
        if dimension.kind == "width":
            return self._widths.get(dimension.places)
        values, us = ("offsets_mm", "offsets_u_mm") if dimension.kind == "side" else ("angles_deg", "angles_u_deg")
        value = number(_at(self._event.get(values), dimension.places[0]))
        return Reading(value, number(_at(self._event.get(us), dimension.places[0]))) if math.isfinite(value) else None


def outline_of(event: Event) -> Floats | None:
    """(N, 2) corners of a measured unit, mm in the mat frame; None where there are none to speak of."""
    try:
        outline = np.array(event.get("outline_mat_mm"), float)
    except (TypeError, ValueError):
        return None
    good = outline.ndim == 2 and outline.shape[1] == 2 and len(outline) >= 3 and bool(np.all(np.abs(outline) < MOST))
    return outline if good else None


def _seams(event: Event, shape: ExpectedShape, outline: Floats) -> Iterator[tuple[int, Reading]]:
    """How far each expected seam is off: the shape is laid on the outline anew, as the verdict had it."""
    nothing = np.zeros(len(outline))
    found = tuple(seams_of(event))
    unit = MeasuredUnit(outline, nothing, nothing, nothing, nothing, (), found)
    fit = best_fit(unit, shape)
    for seam in placed_seams(found, fit.seams_mat_mm) if fit is not None and not fit.mirrored else []:
        yield seam.index, Reading(seam.offset_mm, seam.found.u_mm)


def seams_of(event: Event) -> Iterator[Seam]:
    """The seams that were seen in a unit."""
    for one in _listed(event.get("seams")):
        if isinstance(one, Mapping):
            ends = outline_of({"outline_mat_mm": [one.get("from"), one.get("to"), one.get("to")]})
            if ends is not None and np.hypot(*(ends[1] - ends[0])) > 0.0:
                yield Seam(ends[:2], number(one.get("u")))


def number(value: object) -> float:
    """A number of an event; what is none is not a number."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _at(values: object, place: int) -> object:
    return values[place] if isinstance(values, list) and place < len(values) else None


def _whole_list(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, int) for one in value)
