"""In which order can patches be sewn together with straight seams? Found by cutting the block apart again.

A seam is straight where it runs from rim to rim of what it joins without a turn. If such a cut parts a region, then
any other one still parts what is left (a straight line cut by another stays one line), so those that are found first
may be taken and nothing need be tried twice. Of several directions the one with the most cuts is taken: rows, which
are then sewn in pairs and pairs of pairs, so that like units come out. Where no straight cut is left, the cut with
the fewest turns is taken, and each turn is a place where the seam is set in.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import defaultdict
from collections.abc import Sequence

from projector.piecing.patchwork.mesh import Edge, Mesh, mesh_of
from projector.piecing.patchwork.patches import Patch, Piece, Sewn

SAME_RAD = 1e-6  # cuts that differ by less are parallel


def sewn(patches: Sequence[Patch]) -> Piece:
    """The patches as one piece, with as few set-in seams as are found.

    Raises
    ------
    ValueError
        Some patches touch none of the others along an edge, or enclose others.
    """
    mesh = mesh_of([patch.corners_mm for patch in patches])
    return _Search(mesh, patches).piece(frozenset(range(len(patches))))


def set_in_places(piece: Piece) -> int:
    """How many turns the seams of a piece have in all."""
    waiting, turns = [piece], 0
    while waiting:
        top = waiting.pop()
        if isinstance(top, Sewn):
            turns += len(top.set_in_mm)
            waiting += [top.first, top.second]
    return turns


class _Search:
    def __init__(self, mesh: Mesh, patches: Sequence[Patch]) -> None:
        self.mesh, self.patches = mesh, patches
        self.owner = mesh.owners()
        self.places = [(float(x), float(y)) for x, y in mesh.nodes_mm]
        self.middles = [tuple(patch.corners_mm.mean(axis=0).tolist()) for patch in patches]

    def piece(self, faces: frozenset[int]) -> Piece:
        """Cut apart until single patches are left, then put together: a stack, since a chain may be long."""
        parts: dict[frozenset[int], tuple[frozenset[int], frozenset[int], list[int]]] = {}
        waiting, ordered = [faces], []
        while waiting:
            region = waiting.pop()
            ordered.append(region)
            if len(region) > 1:
                if region not in parts:
                    self._part(region, parts)
                waiting += parts[region][:2]
        made: dict[frozenset[int], Piece] = {}
        for region in reversed(ordered):
            if len(region) == 1:
                made[region] = self.patches[next(iter(region))]
            else:
                first, second, turns = parts[region]
                made[region] = Sewn(made[first], made[second], set_in_mm=self.mesh.nodes_mm[turns].reshape(-1, 2))
        return made[faces]

    def _part(
        self, region: frozenset[int], parts: dict[frozenset[int], tuple[frozenset[int], frozenset[int], list[int]]]
    ) -> None:
        """Note in `parts` how a region comes apart: by all straight cuts of one direction, else by one with turns."""
        inner, rim = self._inner_edges(region), self._rim_nodes(region)
        for family in self._families(self._straight_chains(inner, rim)):
            rows = self._rows(region, family)
            if rows is not None:
                _pair_up(rows, parts)
                return
        chain = self._fewest_turns(inner, rim)
        pieces = [] if chain is None else self._components(region, [chain])
        if chain is None or len(pieces) != 2:
            raise ValueError("patches that touch no other along an edge, or lie inside one; move or lay them over")
        turns = [b for a, b, c in zip(chain, chain[1:], chain[2:], strict=False) if not self.mesh.straight(a, b, c)]
        first, second = sorted(pieces, key=min)
        parts[region] = first, second, turns

    def _families(self, chains: list[list[int]]) -> list[list[list[int]]]:
        """Chains by direction: those with the most cuts first, then those whose cuts are longest."""
        groups: dict[int, list[list[int]]] = defaultdict(list)
        for chain in chains:
            start, end = self.places[chain[0]], self.places[chain[-1]]
            angle = math.atan2(end[1] - start[1], end[0] - start[0]) % math.pi
            groups[round(angle / SAME_RAD) % round(math.pi / SAME_RAD)].append(chain)
        return [groups[key] for key in sorted(groups, key=lambda k: (-len(groups[k]), -self._length(groups[k][0]), k))]

    def _rows(self, region: frozenset[int], family: list[list[int]]) -> list[frozenset[int]] | None:
        """What all cuts of one direction leave, in order across them; None if they do not lie row by row."""
        rows = self._components(region, family)
        if len(rows) != len(family) + 1:
            return None
        start, end = self.places[family[0][0]], self.places[family[0][-1]]
        across = (start[1] - end[1], end[0] - start[0])
        rows.sort(
            key=lambda row: sum(across[0] * self.middles[f][0] + across[1] * self.middles[f][1] for f in row) / len(row)
        )
        for one, other in itertools.pairwise(rows):
            if not any(self.owner.get((b, a)) in other for face in one for a, b in self.mesh.edges(face)):
                return self._rows(region, family[:1]) if len(family) > 1 else None
        return rows

    def _components(self, region: frozenset[int], chains: list[list[int]]) -> list[frozenset[int]]:
        """What is connected over edges that are on none of the cuts."""
        cuts = {step for chain in chains for step in itertools.pairwise(chain)}
        cuts |= {(b, a) for a, b in cuts}
        found, left = [], set(region)
        while left:
            reached, waiting = set[int](), [min(left)]
            while waiting:
                face = waiting.pop()
                if face in reached:
                    continue
                reached.add(face)
                for a, b in self.mesh.edges(face):
                    other = self.owner.get((b, a))
                    if other in region and other not in reached and (a, b) not in cuts:
                        waiting.append(other)
            found.append(frozenset(reached))
            left -= reached
        return found

    def _inner_edges(self, region: frozenset[int]) -> dict[int, list[int]]:
        """Node -> nodes, along edges that have patches of the region on both sides."""
        inner: dict[int, list[int]] = defaultdict(list)
        for face in sorted(region):
            for a, b in self.mesh.edges(face):
                if self.owner.get((b, a)) in region:
                    inner[a].append(b)
        return inner

    def _rim_nodes(self, region: frozenset[int]) -> set[int]:
        return {
            node
            for face in region
            for a, b in self.mesh.edges(face)
            if self.owner.get((b, a)) not in region
            for node in (a, b)
        }

    def _straight_chains(self, inner: dict[int, list[int]], rim: set[int]) -> list[list[int]]:
        """Paths along inner edges, rim to rim, without a turn."""
        chains, seen = [], set[Edge]()
        for start in sorted(rim & inner.keys()):
            for onward in inner[start]:
                if (start, onward) in seen:
                    continue
                chain = [start, onward]
                while chain[-1] not in rim:
                    ahead = [n for n in inner[chain[-1]] if self.mesh.straight(chain[-2], chain[-1], n)]
                    if not ahead:
                        break
                    chain.append(ahead[0])
                else:
                    seen.add((chain[-1], chain[-2]))
                    chains.append(chain)
        return chains

    def _fewest_turns(self, inner: dict[int, list[int]], rim: set[int]) -> list[int] | None:
        """The path along inner edges from rim to rim with the fewest turns, then the shortest (Dijkstra)."""
        best: dict[Edge, tuple[int, float]] = {}
        heap: list[tuple[int, float, Edge, tuple[int, ...]]] = []
        for start in sorted(rim & inner.keys()):
            for onward in inner[start]:
                heapq.heappush(heap, (0, self._length([start, onward]), (start, onward), (start, onward)))
        while heap:
            turns, length, (before, at), path = heapq.heappop(heap)
            if best.get((before, at), (math.inf, math.inf)) <= (turns, length):
                continue
            best[(before, at)] = turns, length
            if at in rim:
                return list(path)
            for onward in inner[at]:
                if onward == before or onward in path:
                    continue
                bent = turns + (0 if self.mesh.straight(before, at, onward) else 1)
                heapq.heappush(heap, (bent, length + self._length([at, onward]), (at, onward), (*path, onward)))
        return None

    def _length(self, chain: Sequence[int]) -> float:
        places = [self.places[node] for node in chain]
        return sum(math.dist(a, b) for a, b in itertools.pairwise(places))


def _pair_up(
    rows: list[frozenset[int]], parts: dict[frozenset[int], tuple[frozenset[int], frozenset[int], list[int]]]
) -> None:
    """Rows that follow one another are sewn in pairs, pairs of pairs, and so on."""
    while len(rows) > 1:
        pairs = []
        for first, second in zip(rows[::2], rows[1::2], strict=False):
            pairs.append(first | second)
            parts[pairs[-1]] = first, second, []
        rows = pairs + (rows[-1:] if len(rows) % 2 else [])
