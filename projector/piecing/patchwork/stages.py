"""Every stage of a block's sewing: the raw outline that is expected, its seams, where to trim it, what must meet.

Before a piece is joined to its mate it may have ears: tips of the mitred outline that would stick out past the mate's
raw edge once the two are sewn. They are trimmed flush with that edge, so that both ends of a seam lie on each other.

A ring may stay open in its middle where a disc is laid over: the join that closes it then has two seams.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon

from projector.piecing.patchwork.mesh import Mesh, mesh_of
from projector.piecing.patchwork.patches import Block, Piece, Sewn, area_mm2, joins_of
from projector.piecing.patchwork.raw import HalfPlane, clipped, grown, raw_edge

Floats = NDArray[np.float64]
Side = Literal["edge", "rim", "ear"]  # to be sewn to something; at the block's outside; a trimmed tip

NEAR_MM = 1e-6
PARALLEL_RAD = 1e-9
STEP_MM = 1e-3  # beyond a seam's end, to see whether it leaves the piece there


class SewingError(Exception):
    """Pieces cannot be sewn as they are asked to be; the message says which and what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class Trim:
    """Where a side of a raw outline lies by the piece's own seams, so that errors of raw edges do not add up.

    The line runs `distance_mm` from the place `from_mm` on seam `seam`, at `angle_rad` (0 to pi/2) to it.
    """

    side: int
    seam: int
    from_mm: Floats  # (2,)
    distance_mm: float
    angle_rad: float


@dataclass(frozen=True, eq=False, slots=True)
class Stage:
    """A piece just before it is sewn to its mate, or the whole block."""

    piece: Piece
    patches: tuple[int, ...]  # their numbers in the block
    finished_mm: Floats  # (N, 2) counter-clockwise
    raw_mm: Floats  # (M, 2) counter-clockwise
    sides: tuple[Side, ...]  # of the raw outline: side i runs from corner i to corner i + 1
    seams_mm: Floats  # (S, 2, 2) straight parts of the seams within; to the raw edge where they reach it
    trims: tuple[Trim, ...]
    match_mm: Floats  # (K, 2) on the seam that comes next: where a seam of this piece meets one of its mate
    mate: Piece | None


class Stages:
    """All stages of a block for one seam allowance."""

    def __init__(self, block: Block, allowance_mm: float) -> None:
        self.block, self.allowance_mm = block, allowance_mm
        patches = block.patches
        self.mesh: Mesh = mesh_of([patch.corners_mm for patch in patches])
        self._faces: dict[int, tuple[int, ...]] = {id(patch): (i,) for i, patch in enumerate(patches)}
        self._mates: dict[int, Piece] = {}
        self.joins = tuple(joins_of(block.piece))
        for join in self.joins:
            self._faces[id(join)] = (*self._faces[id(join.first)], *self._faces[id(join.second)])
            self._mates[id(join.first)], self._mates[id(join.second)] = join.second, join.first
        self._rings: dict[int, tuple[int, ...]] = {}
        self._bounds = self._boundaries(block.piece)
        self._rim = set[tuple[int, int]]().union(*map(_steps, self._bounds))
        self._open = self._rim - _steps(self._bounds[0])  # around what a disc covers
        self._paths = {id(join): self._shared(join) for join in self.joins}

    def stage(self, piece: Piece) -> Stage:
        """Of a patch or join of the block."""
        finished = self.finished_mm(piece)
        seams = self._seams(piece)
        mate = self._mates.get(id(piece))
        limits = [] if mate is None else self._limits(piece, mate)
        raw = grown(finished, self.allowance_mm)
        for limit in limits:
            raw = clipped(raw, limit)
        sides, finished_edges = self._sides(piece, raw)
        inside = Polygon(finished)
        long_seams = [_lengthened(line, ends, raw, inside) for line, ends in seams]
        return Stage(
            piece,
            self._faces[id(piece)],
            finished,
            raw,
            sides,
            np.array(long_seams).reshape(-1, 2, 2),
            tuple(self._trims(finished_edges, seams)),
            np.empty((0, 2)) if mate is None else self._matches(piece, mate),
            mate,
        )

    def faces(self, piece: Piece) -> tuple[int, ...]:
        """The numbers of the patches that a piece consists of."""
        return self._faces[id(piece)]

    def finished_mm(self, piece: Piece) -> Floats:
        """(N, 2) the finished outline of a piece, counter-clockwise."""
        return self.mesh.corners_mm(self._ring(piece))

    def bend_nodes(self, piece: Piece) -> tuple[int, ...]:
        """The nodes of the mesh at the corners of a piece, as `finished_mm` has them."""
        return self.mesh.bends(self._ring(piece))

    def first_sides(self) -> list[int]:
        """The number of each patch's first side where all sides of all patches are counted through."""
        counts = [len(self.mesh.bends(ring)) for ring in self.mesh.rings]
        return [0, *itertools.accumulate(counts)][:-1]

    def corner_nodes(self) -> tuple[int, ...]:
        """The nodes of the mesh at the corners of the whole block."""
        return self.bend_nodes(self.block.piece)

    def stitch_lines(self) -> dict[tuple[int, int], int]:
        """For every directed edge of the mesh the stitch line it lies on: a join's number, then those of the rim and
        of what a disc covers."""
        lines: dict[tuple[int, int], int] = {}
        for number, join in enumerate(self.joins):
            for path in self._paths[id(join)]:
                for a, b in itertools.pairwise(path):
                    lines[(a, b)] = lines[(b, a)] = number
        number = len(self.joins)
        for ring in self._bounds:
            corners = set(self.mesh.bends(ring))
            first = next(i for i, node in enumerate(ring) if node in corners)
            for a, b in itertools.pairwise((*ring[first:], *ring[:first], ring[first])):
                number += a in corners
                lines[(a, b)] = number - 1
        return lines

    def seam_mm(self, join: Sewn) -> Floats:
        """(K, 2) the finished line along which a join is sewn, as it turns; on both sides of a disc, one after the
        other."""
        paths = self._paths[id(join)]
        return self.mesh.nodes_mm[[node for path in paths for node in (path[0], *self._turns(path), path[-1])]]

    def set_in_mm(self, join: Sewn) -> Floats:
        """(K, 2) the places where a join's seam turns a corner."""
        return self.mesh.nodes_mm[[node for path in self._paths[id(join)] for node in self._turns(path)]].reshape(-1, 2)

    # -- rings and paths of nodes ----------------------------------------------------------------------------------

    def _ring(self, piece: Piece) -> tuple[int, ...]:
        ring = self._rings.get(id(piece))
        if ring is None:
            ring = self._rings[id(piece)] = self._boundaries(piece)[0]
        return ring

    def _boundaries(self, piece: Piece) -> list[tuple[int, ...]]:
        """What encloses a piece, and after it the holes within that discs cover."""
        rings = self.mesh.boundaries(self._faces[id(piece)])
        rings.sort(key=lambda ring: -area_mm2(self.mesh.nodes_mm[list(ring)]))
        if not all(self._covered(hole) for hole in rings[1:]):
            what = "lie apart or enclose a hole"
            raise SewingError(f"{self.block.name}: patches that are sewn together {what}; give their corners anew")
        return rings

    def _edges(self, piece: Piece) -> set[tuple[int, int]]:
        return _steps(self._ring(piece))

    def _covered(self, ring: Sequence[int]) -> bool:
        """Whether a ring of nodes is that of a hole that a disc covers."""
        corners = self.mesh.nodes_mm[list(ring)]
        return area_mm2(corners) < 0.0 and any(
            np.all(np.hypot(*(corners - disc.middle_mm).T) <= disc.radius_mm + NEAR_MM) for disc in self.block.discs
        )

    def _turns(self, path: Sequence[int]) -> list[int]:
        """The nodes within a path at which it turns."""
        return [b for a, b, c in zip(path, path[1:], path[2:], strict=False) if not self.mesh.straight(a, b, c)]

    def _shared(self, join: Sewn) -> tuple[tuple[int, ...], ...]:
        """The nodes along a join's seam, in the direction of the first piece's boundary; two seams about a disc."""
        ring, other = self._ring(join.first), self._edges(join.second)
        n = len(ring)
        on = [(ring[(i + 1) % n], ring[i]) in other for i in range(n)]
        if not any(on):
            raise SewingError(f"{self.block.name}: two pieces that are sewn together share no edge; give others")
        starts = [i for i in range(n) if on[i] and not on[i - 1]] or [0]
        paths = []
        for first in starts:
            path = [ring[first]]
            for k in range(first, first + n):
                if not on[k % n]:
                    break
                path.append(ring[(k + 1) % n])
            paths.append(tuple(path))
        following = dict(zip(ring, (*ring[1:], ring[0]), strict=True))
        paths.sort(key=lambda path: (path[-1], following[path[-1]]) not in self._open)  # outside, disc, outside
        if len(paths) > 2 or any((path[-1], following[path[-1]]) not in self._open for path in paths[:-1]):
            raise SewingError(f"{self.block.name}: two pieces meet in several separate seams; sew them in other order")
        return tuple(paths)

    # -- what a stage consists of ------------------------------------------------------------------------------------

    def _limits(self, piece: Piece, mate: Piece) -> list[HalfPlane]:
        """Raw edges of the mate next to both ends of the seam, past which no ear may stick out."""
        own, other = self._ring(piece), self._ring(mate)
        others = set(zip(other, (*other[1:], other[0]), strict=True))
        limits = []
        nodes = self.mesh.nodes_mm
        for i, at in enumerate(own):
            before, after = own[i - 1], own[(i + 1) % len(own)]
            leaves = (at, before) in others and (after, at) not in others  # the seam ends here
            enters = (after, at) in others and (at, before) not in others
            if not (leaves or enters):
                continue
            k = other.index(at)
            if leaves:
                edge = (other[k - 1], at)
                bend = _cross(nodes[at] - nodes[edge[0]], nodes[after] - nodes[at])
            else:
                edge = (at, other[(k + 1) % len(other)])
                bend = _cross(nodes[at] - nodes[before], nodes[edge[1]] - nodes[at])
            if bend < -NEAR_MM:
                continue  # the two make an inner corner there
            limit = raw_edge(nodes[edge[0]], nodes[edge[1]], self.allowance_mm)
            if np.all(limit.beyond_mm(nodes[list(own)]) <= NEAR_MM - self.allowance_mm):
                limits.append(limit)
        return limits

    def _sides(self, piece: Piece, raw: Floats) -> tuple[tuple[Side, ...], list[tuple[int, int, int]]]:
        """What each raw side is, and (side, node, node) of the finished edges behind those that are no ears."""
        ring = self._ring(piece)
        bends = self.mesh.bends(ring)
        pairs = list(zip(bends, (*bends[1:], bends[0]), strict=True))
        nodes = self.mesh.nodes_mm
        planes = [raw_edge(nodes[a], nodes[b], self.allowance_mm) for a, b in pairs]
        following = dict(zip(ring, (*ring[1:], ring[0]), strict=True))
        sides: list[Side] = []
        behind = []
        for i, ends in enumerate(zip(raw, np.roll(raw, -1, axis=0), strict=True)):
            own = [k for k, plane in enumerate(planes) if np.all(np.abs(plane.beyond_mm(np.array(ends))) < NEAR_MM)]
            if not own:
                sides.append("ear")
                continue
            a, b = pairs[own[0]]
            sides.append("rim" if (a, following[a]) in self._rim else "edge")
            behind.append((i, a, b))
        return tuple(sides), behind

    def _seams(self, piece: Piece) -> list[tuple[Floats, tuple[bool, bool]]]:
        """Straight parts of the seams within a piece (2, 2), and whether each end lies on its boundary."""
        outside = set(self._ring(piece))
        lines = []
        for join in joins_of(piece):
            for path in self._paths[id(join)]:
                for a, b in itertools.pairwise((path[0], *self._turns(path), path[-1])):
                    ends = (a == path[0] and a in outside, b == path[-1] and b in outside)
                    lines.append((self.mesh.nodes_mm[[a, b]], ends))
        return lines

    def _trims(
        self, edges: Sequence[tuple[int, int, int]], seams: Sequence[tuple[Floats, tuple[bool, bool]]]
    ) -> list[Trim]:
        trims = []
        for side, a, b in edges:
            start, end = self.mesh.nodes_mm[[a, b]]
            plane = raw_edge(start, end, self.allowance_mm)
            best: tuple[tuple[bool, float], Trim] | None = None
            for number, (line, _) in enumerate(seams):
                angle = _angle_between(line[1] - line[0], end - start)
                away = -plane.beyond_mm(line)
                nearest = int(np.argmin(away))
                parallel = angle < PARALLEL_RAD
                if away[nearest] < self.allowance_mm - NEAR_MM:
                    continue  # round an inner corner
                if not parallel and away[nearest] > self.allowance_mm + NEAR_MM:
                    continue  # the seam does not reach this side
                trim = Trim(side, number, line[nearest], float(away[nearest]), 0.0 if parallel else angle)
                rank = (not parallel, float(away[nearest]) if parallel else -angle)
                if best is None or rank < best[0]:
                    best = rank, trim
            if best is not None:
                trims.append(best[1])
        return trims

    def _matches(self, piece: Piece, mate: Piece) -> Floats:
        """(K, 2): inner nodes of the seam between two pieces at which a seam of each ends."""
        own, others = self._seam_ends(piece), self._seam_ends(mate)
        shared = [node for node in self._ring(piece) if node in own & others]
        return self.mesh.nodes_mm[shared].reshape(-1, 2)

    def _seam_ends(self, piece: Piece) -> set[int]:
        outside = set(self._ring(piece))
        return {node for join in joins_of(piece) for path in self._paths[id(join)] for node in path if node in outside}


def _steps(ring: Sequence[int]) -> set[tuple[int, int]]:
    """The directed edges of a ring of nodes."""
    return set(zip(ring, (*ring[1:], ring[0]), strict=True))


def _lengthened(line: Floats, ends: tuple[bool, bool], raw: Floats, finished: Polygon) -> Floats:
    """A seam (2, 2) led on to the raw outline (M, 2) at the ends where it leaves what shows."""
    result = line.copy()
    for k in (0, 1):
        along = line[k] - line[1 - k]
        if ends[k] and not finished.contains(Point(line[k] + along * (STEP_MM / math.hypot(*along)))):
            result[k] = _onward(line[k], along, raw)
    return result


def _onward(start: Floats, along: Floats, raw: Floats) -> Floats:
    """Where a ray from inside a polygon first crosses its outline."""
    along = along / math.hypot(*along)
    a, edges = raw - start, np.roll(raw, -1, axis=0) - raw
    across = along[0] * edges[:, 1] - along[1] * edges[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (a[:, 0] * edges[:, 1] - a[:, 1] * edges[:, 0]) / across
        share = (a[:, 0] * along[1] - a[:, 1] * along[0]) / across
    hits = distance[(share > -1e-9) & (share < 1.0 + 1e-9) & (distance > 0.0)]
    return np.asarray(start + along * float(hits.min())) if len(hits) else start


def _angle_between(a: Floats, b: Floats) -> float:
    """Between two lines, 0 to pi/2."""
    return math.atan2(abs(_cross(a, b)), abs(float(a @ b)))


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])
