"""What was meant to be one corner, one straight seam, upright, or equally long, made so by the least move.

A drawing's numbers are rounded, and a hand's clicks miss. Corners closer than the tolerance become one node at their
middle; a corner that near to another patch's side comes to lie on it; where two edges go on from each other in nearly
one line, they go on in one; sides that are nearly level, upright, or as long as another come to be so, for else a
square of 3.333 and one of 3.334 would be two kinds of patches. All nodes move together: each such place is a
condition, linear in small moves, and the least sum of squared moves that meets all is found by Newton steps. Where
they contradict each other, the last ones are given up.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import lsmr
from scipy.spatial import cKDTree

from projector.piecing.patchwork.mesh import Mesh, mesh_of

Floats = NDArray[np.float64]
Triple = tuple[int, int, int]

NEARLY_STRAIGHT_RAD = math.radians(2.0)  # of a turn that is taken for rounding where the corner is off by so little
_STEPS = 20
# All conditions hold where the drawing has shrunk to a point. Steps are damped as long as they are large, and what
# curvature leaves of a condition is not paid for by shrinking.
_DAMPING = 0.01
_REACHED = 1e-7  # of the tolerance: what a condition may be off in the end
_FARTHEST = 3.0  # tolerances: nodes that had to move farther were not meant to be in line


@dataclass(frozen=True, eq=False, slots=True)
class Tidied:
    """Polygons put right, (N, 2) each; and how far the farthest corner moved."""

    polygons_mm: tuple[Floats, ...]
    moved_mm: float


def tidied(polygons_mm: Sequence[Floats], tolerance_mm: float) -> Tidied:
    """Polygons, counter-clockwise, with corners put together and seams straightened; corners that are none dropped.

    A polygon of which less than three corners are left comes back with those.
    """
    together = _put_together(polygons_mm, tolerance_mm)
    mesh = mesh_of(together, tolerance_mm)
    nodes = mesh.nodes_mm
    forced, meant = _on_sides(mesh, together), _nearly_straight(mesh, tolerance_mm)
    sides = _sides(mesh)
    level = _nearly_level(mesh, sides, tolerance_mm)
    equal = _nearly_equal(mesh, sides, tolerance_mm)
    for triples, turned, groups in (
        (forced | meant, level, equal),
        (forced | meant, level, []),
        (forced | meant, [], []),
        (forced, [], []),
    ):
        moved = _moved(mesh.nodes_mm, _Conditions(sorted(triples), turned, groups), tolerance_mm)
        if moved is not None:
            nodes = moved
            break
    straight = Mesh(nodes, mesh.rings, tuple((float(x), float(y)) for x, y in nodes))
    corners = tuple(straight.corners_mm(ring) if len(ring) > 2 else nodes[list(ring)] for ring in mesh.rings)
    before = np.concatenate(list(polygons_mm))
    distance, _ = cKDTree(nodes).query(before)
    return Tidied(corners, float(np.max(distance)))


def _put_together(polygons_mm: Sequence[Floats], tolerance_mm: float) -> list[Floats]:
    """Every corner moved to the middle of those that hang together by steps of less than the tolerance."""
    corners = np.concatenate(list(polygons_mm))
    pairs = cKDTree(corners).query_pairs(tolerance_mm, output_type="ndarray")
    links = csr_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(corners), len(corners)))
    count, group = connected_components(links, directed=False)
    sums = np.zeros((count, 2))
    np.add.at(sums, group, corners)
    middles = sums / np.bincount(group, minlength=count)[:, None]
    # A lone corner stays what it is, to the last digit.
    placed = np.where((np.bincount(group) == 1)[group][:, None], corners, middles[group])
    ends = np.cumsum([len(polygon) for polygon in polygons_mm])[:-1]
    return np.split(placed, ends)


def _on_sides(mesh: Mesh, polygons_mm: Sequence[Floats]) -> set[Triple]:
    """Nodes that lie on a side of a patch without being its corner, each with those before and after it."""
    triples = set()
    for ring, polygon in zip(mesh.rings, polygons_mm, strict=True):
        if len(ring) > len(polygon):
            own = {(float(x), float(y)) for x, y in polygon}
            for before, at, after in _threes(ring):
                if mesh.places[at] not in own:
                    triples.add(_sorted(before, at, after))
    return triples


def _nearly_straight(mesh: Mesh, tolerance_mm: float) -> set[Triple]:
    """Nodes at which two edges go on from each other in nearly one line."""
    ways: dict[int, set[int]] = defaultdict(set)
    for face in range(len(mesh.rings)):
        for a, b in mesh.edges(face):
            ways[a].add(b)
            ways[b].add(a)
    triples = set()
    for at, ends in ways.items():
        for one, other in itertools.combinations(sorted(ends), 2):
            (ax, ay), (x, y), (bx, by) = mesh.places[one], mesh.places[at], mesh.places[other]
            u, v, p, q = x - ax, y - ay, bx - x, by - y
            turn = math.atan2(u * q - v * p, u * p + v * q)
            off = abs(u * q - v * p) / (math.hypot(u + p, v + q) or 1.0)
            if abs(turn) < NEARLY_STRAIGHT_RAD and off < tolerance_mm:
                triples.add(_sorted(one, at, other))
    return triples


def _sides(mesh: Mesh) -> list[tuple[int, int]]:
    """The sides of all patches, corner to corner, each once."""
    sides = set()
    for ring in mesh.rings:
        bends = mesh.bends(ring)
        sides |= {(min(a, b), max(a, b)) for a, b in zip(bends, (*bends[1:], *bends[:1]), strict=True) if a != b}
    return sorted(sides)


def _nearly_level(mesh: Mesh, sides: Sequence[tuple[int, int]], tolerance_mm: float) -> list[tuple[int, int, int]]:
    """Sides along an axis but for rounding: (node, node, axis in which both are to be the same)."""
    found = []
    for a, b in sides:
        across = [abs(one - other) for one, other in zip(mesh.places[a], mesh.places[b], strict=True)]
        for axis in (0, 1):
            if across[axis] < min(tolerance_mm, NEARLY_STRAIGHT_RAD / 4.0 * across[1 - axis]):
                found.append((a, b, axis))
    return found


def _nearly_equal(mesh: Mesh, sides: Sequence[tuple[int, int]], tolerance_mm: float) -> list[list[tuple[int, int]]]:
    """Groups of sides whose lengths lie within half a tolerance of each other."""
    lengths = [math.dist(mesh.places[a], mesh.places[b]) for a, b in sides]
    groups: list[list[int]] = []
    for k in sorted(range(len(sides)), key=lambda k: lengths[k]):
        if groups and lengths[k] - lengths[groups[-1][0]] < tolerance_mm / 2.0:
            groups[-1].append(k)
        else:
            groups.append([k])
    return [[sides[k] for k in group] for group in groups if len(group) > 1]


@dataclass(frozen=True, eq=False, slots=True)
class _Conditions:
    """Nodes to be in line, sides to be level or upright, and groups of sides to be equally long."""

    triples: Sequence[Triple]
    level: Sequence[tuple[int, int, int]]
    equal: Sequence[Sequence[tuple[int, int]]]

    def at(self, nodes: Floats) -> tuple[Floats, csr_array]:
        """How far each condition is missed at nodes (M, 2), in mm, and its slopes by their coordinates."""
        parts = []
        if self.triples:
            parts.append(self._in_line(nodes, np.array(self.triples)))
        if self.level:
            a, b, axis = np.array(self.level).T
            off = nodes[b, axis] - nodes[a, axis]
            ones = np.ones(len(off))
            parts.append((off, np.column_stack([2 * a + axis, 2 * b + axis]), np.column_stack([-ones, ones])))
        if self.equal:
            parts.append(self._as_long(nodes))
        rows, columns, values, count = [], [], [], 0
        for _, column, value in parts:
            rows.append(np.repeat(count + np.arange(len(column)), column.shape[1]))
            columns.append(column.ravel())
            values.append(value.ravel())
            count += len(column)
        where = (np.concatenate(rows), np.concatenate(columns))
        slopes = csr_array((np.concatenate(values), where), shape=(count, 2 * len(nodes)))
        return np.concatenate([off for off, _, _ in parts]), slopes

    def _in_line(self, nodes: Floats, index: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64], Floats]:
        a, b, c = (nodes[index[:, k]] for k in range(3))
        base = c - a
        length = np.hypot(base[:, 0], base[:, 1])
        normal = np.column_stack([-base[:, 1], base[:, 0]]) / length[:, None]
        off = np.sum(normal * (b - a), axis=1)
        share = np.clip(np.sum((b - a) * base, axis=1) / length**2, 0.0, 1.0)
        weights = (share - 1.0, np.ones(len(share)), -share)
        columns = np.stack([2 * index[:, k] + axis for k in range(3) for axis in (0, 1)], axis=1)
        values = np.stack([weights[k] * normal[:, axis] for k in range(3) for axis in (0, 1)], axis=1)
        return off, columns, values

    def _as_long(self, nodes: Floats) -> tuple[Floats, NDArray[np.int64], Floats]:
        """Each side against the first of its group."""
        pairs = np.array([(*group[0], *other) for group in self.equal for other in group[1:]])
        ends = [nodes[pairs[:, k]] for k in range(4)]
        first, second = ends[1] - ends[0], ends[3] - ends[2]
        long_first, long_second = np.hypot(*first.T), np.hypot(*second.T)
        u, v = first / long_first[:, None], second / long_second[:, None]
        columns = np.stack([2 * pairs[:, k] + axis for k in range(4) for axis in (0, 1)], axis=1)
        return long_second - long_first, columns, np.column_stack([u, -u, -v, v])


def _moved(nodes_mm: Floats, conditions: _Conditions, tolerance_mm: float) -> Floats | None:
    """The nodes (M, 2), moved least so that all conditions hold; None if they cannot."""
    nodes = nodes_mm.copy()
    if not (conditions.triples or conditions.level or conditions.equal):
        return nodes
    for _ in range(_STEPS):
        off, slopes = conditions.at(nodes)
        if np.max(np.abs(off)) < _REACHED * tolerance_mm:
            return nodes if np.max(np.hypot(*(nodes - nodes_mm).T)) < _FARTHEST * tolerance_mm else None
        damp = _DAMPING * float(np.max(np.abs(off))) / tolerance_mm
        move = lsmr(slopes, -off, damp=damp, atol=1e-13, btol=1e-13, maxiter=2000)[0]
        if not np.all(np.isfinite(move)):
            return None
        nodes = nodes + move.reshape(-1, 2)
    return None


def _threes(ring: Sequence[int]) -> list[Triple]:
    n = len(ring)
    return [(ring[i - 1], ring[i], ring[(i + 1) % n]) for i in range(n)]


def _sorted(before: int, at: int, after: int) -> Triple:
    """The same three whichever way they are passed."""
    return (before, at, after) if before < after else (after, at, before)
