"""What is wrong with patches as they lie: crossed outlines, overlaps, gaps, patches apart; and T-joints, to be told.

Everything here is in the block's finished frame; numbers of patches count from 0.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from projector.piecing.patchwork.mesh import Mesh
from projector.piecing.patchwork.patches import area_mm2
from projector.piecing.plans import Place

Floats = NDArray[np.float64]

_AT_ONCE = 4  # patches held against the others in one go, so that a pile of them ends soon
_PAIRS_AT_ONCE = 500
_MOST_TOLD = 20
NO_AREA_MM2 = 1e-2  # what rounding to a millionth of a millimetre leaves along metres of seams


@dataclass(frozen=True, slots=True)
class Fault:
    """Something between patches, and where: its area, and the longer side of its least rectangle."""

    patches: tuple[int, ...]
    place_mm: Place
    area_mm2: float
    long_mm: float

    @property
    def wide_mm(self) -> float:
        """About how wide it is where it is a sliver."""
        return self.area_mm2 / self.long_mm if self.long_mm else 0.0


@dataclass(frozen=True, slots=True)
class TJoint:
    """A corner of a patch that lies on the side of another, and how far from that side's nearer end."""

    patch: int  # whose side it is
    place_mm: Place
    from_end_mm: float


def crossing(corners_mm: Floats) -> Place | None:
    """Where the outline of a polygon (N, 2) meets itself; None if it is simple."""
    reason = shapely.is_valid_reason(Polygon(corners_mm))
    if reason == "Valid Geometry":
        return None
    if "[" in reason:
        x, y = reason[reason.index("[") + 1 : reason.index("]")].split()
        return float(x), float(y)
    return float(corners_mm[0, 0]), float(corners_mm[0, 1])


def overlaps(polygons_mm: Sequence[Floats], least_mm: float) -> list[Fault]:
    """Pairs that overlap by more than a sliver of twice `least_mm`, or any area where that is 0; largest first."""
    shapes = np.array([Polygon(polygon) for polygon in polygons_mm])
    tree = STRtree(shapes)
    found: list[Fault] = []
    for first in range(0, len(shapes), _AT_ONCE):
        some = np.arange(first, min(first + _AT_ONCE, len(shapes)))
        ones, others = tree.query(shapes[some], predicate="intersects")
        ones = some[ones]
        pairs = np.column_stack([ones, others])[ones < others]
        for begin in range(0, len(pairs), _PAIRS_AT_ONCE):
            found += _overlapping(shapes, pairs[begin : begin + _PAIRS_AT_ONCE], least_mm)
            if len(found) >= _MOST_TOLD:
                return sorted(found, key=lambda fault: -fault.area_mm2)
    return sorted(found, key=lambda fault: -fault.area_mm2)


def _overlapping(shapes: NDArray[np.object_], pairs: NDArray[np.int64], least_mm: float) -> list[Fault]:
    # On a grid: without one, sides that differ in the last digit can come out as a whole patch in common.
    common = shapely.intersection(shapes[pairs[:, 0]], shapes[pairs[:, 1]], grid_size=1e-6)
    return [
        _fault((int(pairs[k, 0]), int(pairs[k, 1])), common[k])
        for k in np.flatnonzero(shapely.area(common) > max(least_mm**2, NO_AREA_MM2))
        if not (least_mm and common[k].buffer(-least_mm).is_empty)
    ]


def apart(mesh: Mesh) -> list[list[int]]:
    """Groups of patches that hang together over edges, the largest first."""
    owner = mesh.owners()
    left, groups = set(range(len(mesh.rings))), []
    while left:
        waiting, group = [min(left)], set[int]()
        while waiting:
            face = waiting.pop()
            if face not in group:
                group.add(face)
                waiting += [owner[(b, a)] for a, b in mesh.edges(face) if (b, a) in owner]
        groups.append(sorted(group))
        left -= group
    return sorted(groups, key=lambda group: (-len(group), group))


def gaps(mesh: Mesh, slit_mm: float) -> list[Fault]:
    """Holes between patches, and bays of the rim that are less than `slit_mm` wide; largest first."""
    rings = mesh.boundaries(range(len(mesh.rings)))
    owner = mesh.owners()
    found = []
    for ring in rings:
        hole = mesh.nodes_mm[list(ring)]
        if area_mm2(hole) < 0.0:
            around = {owner[(a, b)] for a, b in zip(ring, (*ring[1:], ring[0]), strict=True) if (a, b) in owner}
            if -area_mm2(hole) > NO_AREA_MM2:
                found.append(_fault(tuple(sorted(around)), Polygon(hole)))
        elif slit_mm:
            found += [_fault((), slit) for slit in _slits(Polygon(hole), slit_mm)]
    return sorted(found, key=lambda fault: -fault.area_mm2)


def tjoints(mesh: Mesh) -> list[TJoint]:
    """Every corner that lies on another patch's side, side by side; those near the side's end first."""
    owner = mesh.owners()
    found = []
    for face, ring in enumerate(mesh.rings):
        corners = set(mesh.bends(ring))
        for start, inner, end in _sides(ring, corners):
            ends = mesh.nodes_mm[[start, end]]
            for before, node in inner:
                if (node, before) in owner:
                    near = float(np.min(np.hypot(*(ends - mesh.nodes_mm[node]).T)))
                    found.append(TJoint(face, mesh.places[node], near))
    return sorted(found, key=lambda one: one.from_end_mm)


def _sides(ring: Sequence[int], corners: set[int]) -> Iterator[tuple[int, list[tuple[int, int]], int]]:
    """Each side of a ring: its ends, and the nodes between them, each with the one before it."""
    first = next(i for i, node in enumerate(ring) if node in corners)
    turned = (*ring[first:], *ring[:first], ring[first])
    start, inner = turned[0], list[tuple[int, int]]()
    for before, node in itertools.pairwise(turned):
        if node in corners:
            yield start, inner, node
            start, inner = node, []
        else:
            inner.append((before, node))


def _slits(outline: Polygon, slit_mm: float) -> list[Polygon]:
    """What an outline's own narrow inlets are: what closing it by half a slit's width adds."""
    half = slit_mm / 2.0
    closed = outline.buffer(half, join_style="mitre", mitre_limit=50.0).buffer(
        -half, join_style="mitre", mitre_limit=50.0
    )
    added = shapely.get_parts(closed.difference(outline))
    return [part for part in added if part.area > max(NO_AREA_MM2, 0.05 * half * half)]


def _fault(patches: tuple[int, ...], shape: BaseGeometry) -> Fault:
    point = shape.representative_point()
    box = np.array(shapely.get_coordinates(shape.minimum_rotated_rectangle))
    return Fault(patches, (point.x, point.y), shape.area, float(np.max(np.hypot(*np.diff(box, axis=0).T))))
