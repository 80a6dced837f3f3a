"""Which way each seam is pressed, and where it turns.

Where two seams meet across a third, their allowances should lie in opposite directions: they then lock, and the cloth
is equally thick. Of several that meet in one place it is those that go on in one line. What such a choice leaves free
goes away from bulk: toward the side on which fewer seams end, and where that is equal toward the piece that was added.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import replace

from projector.piecing.patchwork.mesh import Edge, Mesh
from projector.piecing.patchwork.patches import Block, Patch, Piece, Sewn
from projector.piecing.patchwork.stages import Stages

STRAIGHT_SIN = 1e-6  # seams that turn by less where they meet go on in one line


def pressed(block: Block) -> Block:
    """The block with `press` and `set_in_mm` of every join found anew; patches and order stay."""
    if isinstance(block.piece, Patch):
        return block
    stages = Stages(block, 1.0)
    toward_second = _directions(stages)
    made: dict[int, Piece] = {}
    for join, second in zip(stages.joins, toward_second, strict=True):
        made[id(join)] = Sewn(
            made.get(id(join.first), join.first),
            made.get(id(join.second), join.second),
            "second" if second else "first",
            stages.set_in_mm(join),
        )
    return replace(block, piece=made[id(block.piece)])


def opposite_pairs(stages: Stages) -> list[tuple[int, int, bool]]:
    """Pairs of joins (their numbers) that meet across a third, and whether they lie in opposite directions when both
    are pressed toward the same of their two pieces, first or second."""
    seam_of = _seams(stages)
    pairs: dict[tuple[int, int, bool], None] = {}
    for node, ways in _ways(stages.mesh).items():
        for one, other in _meeting(stages.mesh, node, [way for way in ways if (node, way) in seam_of], seam_of):
            a, b = seam_of[(node, one)], seam_of[(node, other)]
            if a[0] != b[0]:
                # Seen from the node, the left of one way is the right of the other.
                pairs[(a[0], b[0], a[1] == b[1])] = None
    return list(pairs)


def _meeting(
    mesh: Mesh, node: int, ways: list[int], seam_of: dict[Edge, tuple[int, bool]]
) -> Iterator[tuple[int, int]]:
    """Ways from a node that go on in one line; of a seam that runs through it also the only ways on its two sides."""
    for one, other in itertools.combinations(ways, 2):
        if not _in_line(mesh, one, node, other):
            continue
        yield one, other
        if seam_of[(node, one)][0] == seam_of[(node, other)][0]:
            left = [way for way in ways if way not in (one, other) and _is_left(mesh, node, one, way)]
            right = [way for way in ways if way not in (one, other, *left)]
            if len(left) == len(right) == 1:
                yield min(left[0], right[0]), max(left[0], right[0])


def _directions(stages: Stages) -> list[bool]:
    """For each join whether it is pressed toward its second piece."""
    neighbours: dict[int, list[tuple[int, bool]]] = defaultdict(list)
    for a, b, opposite_if_same in opposite_pairs(stages):
        neighbours[a].append((b, opposite_if_same))
        neighbours[b].append((a, opposite_if_same))
    bulk = _bulk(stages)
    chosen: dict[int, bool] = {}
    for start in range(len(stages.joins)):
        if start in chosen:
            continue
        group, waiting = {start: True}, deque([start])
        while waiting:
            at = waiting.popleft()
            for other, same in neighbours[at]:
                if other not in group:
                    group[other] = group[at] if same else not group[at]
                    waiting.append(other)
        # Both ways to press the group lock equally well: take the one away from bulk.
        cost = sum(bulk[join] if second else -bulk[join] for join, second in group.items())
        turned = cost > 0
        chosen |= {join: second != turned for join, second in group.items()}
    return [chosen[join] for join in range(len(stages.joins))]


def _bulk(stages: Stages) -> list[int]:
    """For each join how many more seams end on it in its second piece than in its first."""
    seam_of = _seams(stages)
    ending: dict[tuple[int, bool], int] = defaultdict(int)
    ways = _ways(stages.mesh)
    sides = [(set(stages.faces(join.first)), set(stages.faces(join.second))) for join in stages.joins]
    owner = stages.mesh.owners()
    for node, onward in ways.items():
        seams = [(seam_of[(node, w)][0], owner[(node, w)]) for w in onward if (node, w) in seam_of]
        for through in {number for number, _ in seams}:
            first, second = sides[through]
            for number, face in seams:
                if number != through and (face in first or face in second):
                    ending[(through, face in second)] += 1
    return [ending[(k, True)] - ending[(k, False)] for k in range(len(stages.joins))]


def _seams(stages: Stages) -> dict[Edge, tuple[int, bool]]:
    """For each directed edge within the block: the number of its join, and whether its left is the second piece."""
    owner = stages.mesh.owners()
    above: dict[int, tuple[int, bool]] = {}  # of a piece: the join that it goes into, and whether as its second
    for k, join in enumerate(stages.joins):
        above[id(join.first)], above[id(join.second)] = (k, False), (k, True)

    def chain(piece: Piece) -> dict[int, bool]:
        steps, at = dict[int, bool](), above.get(id(piece))
        while at is not None:
            steps[at[0]] = at[1]
            at = above.get(id(stages.joins[at[0]]))
        return steps

    chains = [chain(patch) for patch in stages.block.patches]
    seams = {}
    for edge, left in owner.items():
        right = owner.get((edge[1], edge[0]))
        if right is not None and right != left:
            through = next(k for k in chains[left] if k in chains[right])
            seams[edge] = through, chains[left][through]
    return seams


def _ways(mesh: Mesh) -> dict[int, list[int]]:
    """Node -> the nodes that an edge leads to from it."""
    ways: dict[int, set[int]] = defaultdict(set)
    for face in range(len(mesh.rings)):
        for a, b in mesh.edges(face):
            ways[a].add(b)
            ways[b].add(a)
    return {node: sorted(ways[node]) for node in sorted(ways)}


def _in_line(mesh: Mesh, one: int, at: int, other: int) -> bool:
    (ax, ay), (x, y), (bx, by) = mesh.places[one], mesh.places[at], mesh.places[other]
    ux, uy, vx, vy = ax - x, ay - y, bx - x, by - y
    return ux * vx + uy * vy < 0.0 and abs(ux * vy - uy * vx) < STRAIGHT_SIN * math.hypot(ux, uy) * math.hypot(vx, vy)


def _is_left(mesh: Mesh, at: int, onward: int, way: int) -> bool:
    (x, y), (ax, ay), (bx, by) = mesh.places[at], mesh.places[onward], mesh.places[way]
    return (ax - x) * (by - y) - (ay - y) * (bx - x) > 0.0
