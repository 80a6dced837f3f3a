"""The shapes that units have, right side up, each with its corners in a stated order.

Every shape lies with side 0 along the x axis and corner 0 at its lower left, corners counter-clockwise; side i
runs from corner i to corner i + 1.

| written as | what it is | corner 0 | sides | seam |
| --- | --- | --- | --- | --- |
| `square(side)` | a square | lower left | 0 to 3 edges | - |
| `rectangle(width, length)` | `length` cut from a strip `width` wide | lower left, the strip lying across | 0, 2 strip edges (`length` long); 1, 3 cuts | - |
| `slant(strip, cut, angle, left or right[, seam])` | cut from a strip (set) `strip` wide by parallel cuts `cut` apart at `angle` to its edge; `right`: the upper ends of the cuts lie to the right | lower left, the strip lying across | 0, 2 strip edges; 1, 3 cuts | along the strip, `seam` above the lower edge, from cut 3 to cut 1 |
| `diamond(width, angle)` | all sides equal, `width` between opposite sides | lower left, an `angle` corner; the other one is corner 2 | 0, 2 strip edges; 1, 3 cuts | - |
| `triangle(leg, leg)` | right-angled | at the right angle | 0 first leg, to the right; 1 long side; 2 second leg, down | - |
| `point(base, tip angle)` | isosceles | left end of the base | 0 base; 1 right side; 2 left side; corner 2 is the tip | - |
| `halves(side)` | a square of two triangles | lower left, where the seam starts | 0 to 3 edges | from corner 0 to corner 2 |
| `polygon(x y, x y, ...)` | any simple polygon | the first one given | in the order given, which must be counter-clockwise | - |

Lengths and angles carry their unit: `slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)`.
"""  # noqa: E501  (a table's rows cannot be broken)

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LinearRing

from projector.piecing.lengths import LONGEST_MM, LengthError, angle_rad, coordinates_mm, length_mm
from projector.piecing.patchwork.patches import area_mm2

Floats = NDArray[np.float64]
Lean = Literal["left", "right"]

MOST_CORNERS = 150
_LONGEST_TEXT = 10_000
_SHARPEST_RAD = math.radians(1.0)
_STRIP_AND_CUTS = ("strip edge", "cut edge", "strip edge", "cut edge")


class ShapeError(Exception):
    """A text or a size gives no shape; the message says which part and how shapes are written."""


@dataclass(frozen=True, eq=False, slots=True)
class Shape:
    """A raw outline, right side up, in a frame of its own (module docstring: where its corner 0 lies).

    `corners_mm` (N, 2), counter-clockwise; `seams_mm` (S, 2, 2), the ends of each internal seam.
    """

    name: str
    corners_mm: Floats
    side_names: tuple[str, ...]
    seams_mm: Floats = field(default_factory=lambda: np.empty((0, 2, 2)))

    @property
    def area_mm2(self) -> float:
        """Enclosed area, positive (shoelace formula)."""
        return area_mm2(self.corners_mm)


def square(side_mm: float, name: str = "square") -> Shape:
    """All four sides `side_mm`."""
    return _shape(name, [(0, 0), (side_mm, 0), (side_mm, side_mm), (0, side_mm)], ("edge",) * 4)


def rectangle(width_mm: float, length_mm: float, name: str = "rectangle") -> Shape:
    """`length_mm` cut off a strip `width_mm` wide."""
    corners = [(0.0, 0.0), (length_mm, 0.0), (length_mm, width_mm), (0.0, width_mm)]
    return _shape(name, corners, _STRIP_AND_CUTS)


def slant(
    strip_mm: float,
    cut_mm: float,
    angle: float,
    lean: Lean,
    seams_mm: tuple[float, ...] = (),
    name: str = "slant",
) -> Shape:
    """The parallelogram where a strip meets a band between two parallel cuts.

    Parameters
    ----------
    strip_mm, cut_mm : float
        Width of the strip and of the band, each measured at right angles to its edges; > 0.
    angle : float
        Between cut and strip edge, radians, in (0, pi/2].
    lean : "left" or "right"
        Where the upper ends of the cuts lie.
    seams_mm : tuple of float
        Distance of each seam from the lower strip edge.

    Notes
    -----
    Sides are `cut / sin(angle)` along the strip and `strip / sin(angle)` along the cut (plane geometry).
    """
    _check_angle(name, angle, math.pi / 2)
    _check_sizes(name, strip_mm, cut_mm)
    along = cut_mm / math.sin(angle)
    slope = (1.0 if lean == "right" else -1.0) / math.tan(angle) if angle < math.pi / 2 else 0.0
    shift = strip_mm * slope
    corners = [(0.0, 0.0), (along, 0.0), (along + shift, strip_mm), (shift, strip_mm)]
    for seam in seams_mm:
        if not 0.0 < seam < strip_mm:
            raise ShapeError(f"{name}: a seam at {seam:g} mm is outside; it lies between the strip's edges")
    seams = [((seam * slope, seam), (along + seam * slope, seam)) for seam in seams_mm]
    return _shape(name, corners, _STRIP_AND_CUTS, seams)


def diamond(width_mm: float, angle: float, name: str = "diamond") -> Shape:
    """A rhombus, `width_mm` between opposite sides, `angle` (radians, in (0, pi)) at corners 0 and 2."""
    _check_angle(name, angle, math.pi)
    _check_sizes(name, width_mm)
    side = width_mm / math.sin(angle)
    shift = side * math.cos(angle)
    corners = [(0.0, 0.0), (side, 0.0), (side + shift, width_mm), (shift, width_mm)]
    return _shape(name, corners, _STRIP_AND_CUTS)


def triangle(first_mm: float, second_mm: float, name: str = "triangle") -> Shape:
    """A right-angled triangle with its two legs."""
    corners = [(0.0, 0.0), (first_mm, 0.0), (0.0, second_mm)]
    return _shape(name, corners, ("first leg", "long side", "second leg"))


def point(base_mm: float, tip: float, name: str = "point") -> Shape:
    """An isosceles triangle over its base, with `tip` (radians, in (0, pi)) at the top."""
    _check_angle(name, tip, math.pi)
    corners = [(0.0, 0.0), (base_mm, 0.0), (base_mm / 2.0, base_mm / 2.0 / math.tan(tip / 2.0))]
    return _shape(name, corners, ("base", "right side", "left side"))


def halves(side_mm: float, name: str = "halves") -> Shape:
    """A square of two triangles, the seam from its lower left to its upper right corner."""
    plain = square(side_mm, name)
    return _shape(name, plain.corners_mm, plain.side_names, [((0.0, 0.0), (side_mm, side_mm))])


def polygon(corners_mm: list[tuple[float, float]], name: str = "polygon") -> Shape:
    """Any simple polygon, its corners counter-clockwise; the numbering is kept."""
    return _shape(name, corners_mm, tuple(f"side {i}" for i in range(len(corners_mm))))


def parse_shape(text: str) -> Shape:
    """Read one of the shapes of the module's table; its name is the text with single spaces.

    Raises
    ------
    ShapeError
        An unknown shape, too few or too many parts, a part that does not parse, sizes that make no shape.

    Examples
    --------
    >>> parse_shape("square( 4 1/2 in )").corners_mm[2]
    array([114.3, 114.3])
    """
    name = " ".join(text.split())
    if len(name) > _LONGEST_TEXT:
        raise ShapeError(f'"{name[:40]}…": too long for a shape; a polygon has at most {MOST_CORNERS} corners')
    found = re.fullmatch(r"(\w+) ?\((.*)\)", name)
    if found is None or found[1].lower() not in _READERS:
        raise ShapeError(f'"{_short(name)}": no shape; write one of {", ".join([*GRAMMAR.values(), *WHOLES.values()])}')
    kind = found[1].lower()
    parts = [part.strip() for part in found[2].split(",")]
    try:
        return _READERS[kind](name, parts)
    except LengthError as error:
        raise ShapeError(f"{_short(name)}: {error}") from None
    except ShapeError as error:
        raise ShapeError(f"{error}; write {GRAMMAR[kind]}") from None


def _read_slant(name: str, parts: list[str]) -> Shape:
    _check_count(name, parts, 4, 5)
    lean = parts[3].lower()
    if lean not in ("left", "right"):
        raise ShapeError(f'{_short(name)}: "{_short(parts[3])}" is neither left nor right; write one of them')
    seams = tuple(length_mm(part) for part in parts[4:])
    return slant(
        length_mm(parts[0]),
        length_mm(parts[1]),
        angle_rad(parts[2]),
        "left" if lean == "left" else "right",
        seams,
        name,
    )


def _read_polygon(name: str, parts: list[str]) -> Shape:
    _check_count(name, parts, 3, MOST_CORNERS)
    places = [coordinates_mm(part) for part in parts]
    for part, place in zip(parts, places, strict=True):
        if len(place) != 2:
            raise ShapeError(f'{_short(name)}: "{_short(part)}" is not the two lengths of a corner; write x and y')
    return polygon([(x, y) for x, y in places], name)


def _lengths(make: Callable[..., Shape], count: int) -> Callable[[str, list[str]], Shape]:
    def read(name: str, parts: list[str]) -> Shape:
        _check_count(name, parts, count, count)
        return make(*(length_mm(part) for part in parts), name=name)

    return read


def _length_and_angle(make: Callable[..., Shape]) -> Callable[[str, list[str]], Shape]:
    def read(name: str, parts: list[str]) -> Shape:
        _check_count(name, parts, 2, 2)
        return make(length_mm(parts[0]), angle_rad(parts[1]), name=name)

    return read


_READERS: dict[str, Callable[[str, list[str]], Shape]] = {
    "square": _lengths(square, 1),
    "rectangle": _lengths(rectangle, 2),
    "slant": _read_slant,
    "diamond": _length_and_angle(diamond),
    "triangle": _lengths(triangle, 2),
    "point": _length_and_angle(point),
    "halves": _lengths(halves, 1),
    "polygon": _read_polygon,
}

GRAMMAR = {
    "square": "square(side)",
    "rectangle": "rectangle(width, length)",
    "slant": "slant(strip, cut, angle, left|right[, seam])",
    "diamond": "diamond(width, angle)",
    "triangle": "triangle(leg, leg)",
    "point": "point(base, tip angle)",
    "halves": "halves(side)",
    "polygon": "polygon(x y, x y, ...)",
}
WHOLES = {"strip": "strip(width)", "star": "star(points, side)"}  # no units; `wholes` reads them


def _shape(
    name: str,
    corners: list[tuple[float, float]] | Floats,
    side_names: tuple[str, ...],
    seams: list[tuple[tuple[float, float], tuple[float, float]]] | None = None,
) -> Shape:
    """Check that the corners make a simple polygon, counter-clockwise, of a size that can be cut."""
    corners_mm = np.array(corners, dtype=np.float64).reshape(-1, 2)
    if not np.all(np.isfinite(corners_mm)) or np.abs(corners_mm).max() > LONGEST_MM:
        raise ShapeError(f"{_short(name)}: larger than 100 m; make it smaller")
    if not 3 <= len(corners_mm) <= MOST_CORNERS:
        raise ShapeError(f"{_short(name)}: {len(corners_mm)} corners; a polygon has 3 to {MOST_CORNERS}")
    sides_mm = np.hypot(*(np.roll(corners_mm, -1, axis=0) - corners_mm).T)
    if sides_mm.min() < 0.01:
        raise ShapeError(f"{_short(name)}: side {int(sides_mm.argmin())} has no length; make it longer")
    if not LinearRing(corners_mm).is_simple:
        raise ShapeError(f"{_short(name)}: its sides cross; give the corners in their order around it")
    if area_mm2(corners_mm) <= 0.0:
        raise ShapeError(f"{_short(name)}: its corners run clockwise; give them the other way round")
    seams_mm = np.array(seams or [], dtype=np.float64).reshape(-1, 2, 2)
    return Shape(name, corners_mm, side_names, seams_mm)


def _check_sizes(name: str, *sizes_mm: float) -> None:
    if any(not 0.0 < size < math.inf for size in sizes_mm):
        raise ShapeError(f"{_short(name)}: a size is 0; make it greater")


def _check_angle(name: str, angle: float, most: float) -> None:
    """`most` itself is allowed where it is a right angle, half a turn makes no shape."""
    most -= _SHARPEST_RAD if most == math.pi else 0.0
    if not _SHARPEST_RAD <= angle <= most:
        degrees, most_deg = math.degrees(angle), round(math.degrees(most))
        raise ShapeError(f"{_short(name)}: an angle of {degrees:g} degrees; it lies between 1 and {most_deg}")


def _check_count(name: str, parts: list[str], least: int, most: int) -> None:
    if not least <= len(parts) <= most or not all(parts):
        wanted = f"{least}" if least == most else f"{least} to {most}"
        raise ShapeError(f"{_short(name)}: {len(parts)} parts with commas between are wrong; it takes {wanted}")


def _short(text: str) -> str:
    return text if len(text) <= 80 else text[:79] + "…"
