"""Patches edge to edge as a plane graph: which edges they share, what encloses several of them, where they miss.

Corners closer than `SAME_MM` are one node. Where a patch's corner lies on another's edge, that edge is cut there, so
that every edge between two nodes has one patch on its left and at most one on its right.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Edge = tuple[int, int]

SAME_MM = 1e-5  # far below what scissors know, far above what rounding does
_AT_ONCE = 256  # edges
STRAIGHT_MM = 1e-5  # a node so near to the line between its neighbours is no corner


@dataclass(frozen=True, eq=False, slots=True)
class Mesh:
    """Nodes (M, 2) and, for each patch, the ring of nodes around it, counter-clockwise."""

    nodes_mm: Floats
    rings: tuple[tuple[int, ...], ...]
    places: tuple[tuple[float, float], ...]  # the nodes again, as plain numbers

    def edges(self, face: int) -> list[Edge]:
        """The directed edges of a patch; the patch lies on their left."""
        ring = self.rings[face]
        return list(zip(ring, (*ring[1:], ring[0]), strict=True))

    def owners(self) -> dict[Edge, int]:
        """Which patch lies on the left of each directed edge; where patches overlap, the last one."""
        return {edge: face for face in range(len(self.rings)) for edge in self.edges(face)}

    def boundaries(self, faces: Iterable[int]) -> list[tuple[int, ...]]:
        """The rings of nodes that enclose some patches: outer ones counter-clockwise, those of holes clockwise.

        Where two parts of a ring touch in one node, it is split there.
        """
        edges = {edge for face in faces for edge in self.edges(face)}
        after: dict[int, list[int]] = defaultdict(list)
        for a, b in sorted(edges):
            if (b, a) not in edges:
                after[a].append(b)
        rings = []
        while after:
            start = next(iter(after))
            ring = [start]
            while True:
                at = ring[-1]
                choices = after[at]
                before = ring[-2] if len(ring) > 1 else None
                onward = choices[0] if len(choices) == 1 or before is None else self._sharpest_left(before, at, choices)
                choices.remove(onward)
                if not choices:
                    del after[at]
                if onward == start:
                    break
                ring.append(onward)
            rings.append(tuple(ring))
        return rings

    def corners_mm(self, ring: Sequence[int]) -> Floats:
        """(N, 2) places of a ring's nodes, without those that lie on a straight line between their neighbours."""
        return self.nodes_mm[list(self.bends(ring))]

    def bends(self, ring: Sequence[int]) -> tuple[int, ...]:
        """The nodes of a ring at which it turns."""
        n = len(ring)
        return tuple(ring[i] for i in range(n) if not self.straight(ring[i - 1], ring[i], ring[(i + 1) % n]))

    def straight(self, before: int, at: int, after: int) -> bool:
        """Whether a path goes straight on at the node `at`."""
        (ax, ay), (bx, by), (cx, cy) = self.places[before], self.places[at], self.places[after]
        x, y, u, v = bx - ax, by - ay, cx - bx, cy - by
        length = math.hypot(x + u, y + v)
        return x * u + y * v > 0.0 and abs(x * v - y * u) < STRAIGHT_MM * length

    def _sharpest_left(self, before: int, at: int, choices: list[int]) -> int:
        """Among ways on from a node where boundaries touch, the one that keeps to the same patch's side."""
        back = self.nodes_mm[before] - self.nodes_mm[at]
        back_angle = math.atan2(back[1], back[0])

        def turn(onward: int) -> float:
            away = self.nodes_mm[onward] - self.nodes_mm[at]
            return (back_angle - math.atan2(away[1], away[0])) % (2.0 * math.pi)

        return min(choices, key=turn)


def mesh_of(polygons_mm: Sequence[Floats], same_mm: float = SAME_MM) -> Mesh:
    """The mesh of polygons (N, 2) each, counter-clockwise; corners nearer than `same_mm` are one."""
    counts = [len(polygon) for polygon in polygons_mm]
    corners = np.concatenate([np.asarray(p, float).reshape(-1, 2) for p in polygons_mm])
    owner = _clusters(corners, same_mm)
    kept, node_of = np.unique(owner, return_inverse=True)
    nodes = corners[kept]
    rings, first = [], 0
    for count in counts:
        ring = [int(node) for node in node_of[first : first + count]]
        first += count
        rings.append([(a, b) for a, b in zip(ring, (*ring[1:], ring[0]), strict=True) if a != b])
    inner = _between(nodes, sorted({(min(edge), max(edge)) for ring in rings for edge in ring}), same_mm)
    full = tuple(
        tuple(node for a, b in ring for node in (a, *(inner.get((a, b)) or inner.get((b, a), ())[::-1])))
        for ring in rings
    )
    return Mesh(nodes, full, tuple((float(x), float(y)) for x, y in nodes))


def _clusters(corners: Floats, same_mm: float) -> NDArray[np.int64]:
    """For each corner the first corner that is the same place."""
    owner = np.arange(len(corners))
    for a, b in sorted(cKDTree(corners).query_pairs(same_mm)):
        owner[b] = min(owner[b], owner[a])
    return owner


def _between(nodes: Floats, edges: Sequence[Edge], same_mm: float) -> dict[Edge, tuple[int, ...]]:
    """Edges on which further nodes lie, and those nodes in their order from the edge's first end."""
    tree, found = cKDTree(nodes), dict[Edge, tuple[int, ...]]()
    for first in range(0, len(edges), _AT_ONCE):
        some = edges[first : first + _AT_ONCE]
        starts, ends = (nodes[[edge[k] for edge in some]] for k in (0, 1))
        lengths = np.hypot(*(ends - starts).T)
        around = tree.query_ball_point((starts + ends) / 2.0, lengths / 2.0 + same_mm)
        for edge, start, end, length, near in zip(some, starts, ends, lengths, around, strict=True):
            if len(near) <= 2:
                continue  # its own ends
            along, close = end - start, np.array(near, np.int64)
            away = nodes[close] - start
            share = away @ along / length**2
            off = np.abs(away[:, 0] * along[1] - away[:, 1] * along[0]) / length
            on = (off < same_mm) & (share * length > same_mm) & ((1.0 - share) * length > same_mm)
            if np.any(on):
                found[edge] = tuple(int(one) for one in close[on][np.argsort(share[on])])
    return found
