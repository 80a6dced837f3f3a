"""Units that were laid down anew: what nobody can tell apart by looking at them is one dimension.

A square that was cut is put on a pile and measured again later: which of its widths was the strip's, no one can see
any more. Its two widths are then told under one name, both readings of every unit; whoever told them apart would mix
two piles and name them wrongly. At the guided cut it is known which sides were the strip's, but which of its ends a
unit has turned to the person is not: there only half a turn makes things alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from projector.piles.dimensions import Dimension, Reading, dimensions_of
from vision.comparing.expected import ExpectedShape
from vision.comparing.symmetry import Symmetry, symmetries

LAID_ANEW = frozenset({"pile", "check"})  # commands that see units anew
SQUARE = 4  # corners of the one shape whose sides the guided cut tells apart where a turn does not
Told = tuple[tuple[Dimension, Reading], ...]  # of one unit; a dimension may be there several times


def told_alike(readings: Mapping[Dimension, Reading], shape: ExpectedShape, anew: bool = True) -> Told:
    """The readings of a unit, under the names of what can be told apart on it."""
    alike = alike_dimensions(shape, anew)
    found = ((alike.get(one, (one, 1)), reading) for one, reading in readings.items())
    return tuple((one, Reading(sign * reading.value, reading.u)) for (one, sign), reading in found)


def dimensions_anew(shape: ExpectedShape) -> tuple[Dimension, ...]:
    """What can be told apart on a unit that was laid down anew, each once and in the shape's order."""
    alike = alike_dimensions(shape)
    return tuple(dict.fromkeys(alike.get(one, (one, 1))[0] for one in dimensions_of(shape)))


@lru_cache(maxsize=64)
def alike_dimensions(shape: ExpectedShape, anew: bool = True) -> dict[Dimension, tuple[Dimension, int]]:
    """Each dimension's common one, and -1 where its deviation counts the other way there: of seams, whose left turns.

    >>> import numpy as np
    >>> square = ExpectedShape("a", np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]]))
    >>> sorted({one.name for one, _ in alike_dimensions(square).values()})
    ['any corner', 'side to side, either way']
    """
    ways, dimensions = symmetries(shape), dimensions_of(shape)
    if not anew and len(shape.corners_mm) == SQUARE:
        ways = tuple(way for way in ways if way.roll % 2 == 0)
    there = {(one.kind, one.places): one for one in dimensions}
    n, found = len(shape.corners_mm), dict[Dimension, tuple[Dimension, int]]()
    for one in dimensions:
        met = [(there.get((one.kind, places)), sign) for way in ways for places, sign in (_met(one, way, n),)]
        group = {other: sign for other, sign in met if other is not None}
        both = len({(other, sign) for other, sign in met}) > len(group)  # a seam that a turn lays on itself, reversed
        limits = {(other.planned, other.limit) for other in group}
        if both or len(group) < 2 or len({limit for _, limit in limits}) > 1:
            continue
        first = min(group, key=lambda other: other.places)
        found[one] = (_common(first, tuple(sorted(group, key=lambda other: other.places)), n), group[first])
    return found


def _met(one: Dimension, way: Symmetry, n: int) -> tuple[tuple[int, ...], int]:
    """Where a turn lays a dimension, and whether it counts the same way there."""
    if one.kind == "seam":
        place, sign = way.seams[one.places[0]]
        return (place,), sign
    return tuple(sorted((place + way.roll) % n for place in one.places)), 1


def _common(first: Dimension, group: tuple[Dimension, ...], n: int) -> Dimension:
    """The dimension of all of a group, under the places of its first."""
    numbers = " or ".join(str(one.places[0]) for one in group)
    name = {
        "width": f"side to side, {'either' if len(group) == 2 else 'any'} way",
        "side": "place of any side" if len(group) == n else f"place of side {numbers}",
        "angle": "any corner" if len(group) == n else f"corner {numbers}",
        "seam": f"place of seam {numbers}",
    }[first.kind]
    return Dimension(first.kind, name, first.places, first.planned, first.limit, len(group))
