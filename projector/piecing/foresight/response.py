"""How a block's outline follows small errors of its patches: the linear answer of patchwork that is eased together.

Each patch whose sides are off by a little is still a polygon; it may be moved and turned as it is sewn. Patches that
fit each other exactly stay exact. Where they do not, neighbours are eased: every corner ends in the place that asks
least of all of them (least squares over corners; for an inner point of a side only across that side, since a seam
slides along itself). In a row the errors of widths simply add up, as they should.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import splu

from projector.piecing.patchwork.mesh import Mesh

Floats = NDArray[np.float64]

STILL = 1e-9  # weight of staying where one is: patchwork as a whole is moved and turned by nothing


@dataclass(frozen=True, eq=False, slots=True)
class Response:
    """Linear answers of places of the block to the sides of its patches."""

    first_side: tuple[int, ...]  # of each patch, among all sides; one more at the end
    sides: tuple[tuple[tuple[int, int], ...], ...]  # of each patch: its corners' nodes, start and end of every side
    moves: Floats  # (K, 2, D): of K places along x and y, per mm that side d of the D sides lies outward


def response(mesh: Mesh, places: tuple[int, ...]) -> Response:
    """Of nodes of a mesh to all sides of its patches; side i of a patch runs from its bend i to its bend i + 1."""
    bends = [mesh.bends(ring) for ring in mesh.rings]
    first = np.concatenate([[0], np.cumsum([len(one) for one in bends])]).astype(int)
    nodes, faces, total = len(mesh.nodes_mm), len(bends), int(first[-1])
    rows: list[tuple[int, float]] = []  # column, value
    row_of: list[int] = []
    drive: list[tuple[int, int, float]] = []  # row, side, value
    count = 0
    for face, ring in enumerate(mesh.rings):
        own = bends[face]
        middle = mesh.nodes_mm[list(own)].mean(axis=0)
        normals = _normals(mesh, own)
        side = len(own) - 1
        for node in ring:
            if node in own:
                side = own.index(node)
                before = (side - 1) % len(own)
                by_sides = np.linalg.inv(np.array([normals[before], normals[side]]))  # corner's move per mm of each
                directions, driven = np.eye(2), [(before, by_sides[:, 0]), (side, by_sides[:, 1])]
            else:
                directions, driven = normals[side][None], [(side, normals[side])]
            arm = mesh.nodes_mm[node] - middle
            for direction in directions:
                turned = float(direction[1] * arm[0] - direction[0] * arm[1])
                columns = [2 * node, 2 * node + 1, 2 * nodes + 2 * face, 2 * nodes + 2 * face + 1]
                values = [direction[0], direction[1], -direction[0], -direction[1]]
                columns.append(2 * nodes + 2 * faces + face)
                values.append(-turned)
                rows += list(zip(columns, map(float, values), strict=True))
                row_of += [count] * 5
                drive += [(count, int(first[face]) + which, float(direction @ move)) for which, move in driven]
                count += 1
    unknowns = 2 * nodes + 3 * faces
    equations = csr_matrix(([v for _, v in rows], (row_of, [c for c, _ in rows])), shape=(count, unknowns))
    driving = csr_matrix(
        ([v for _, _, v in drive], ([r for r, _, _ in drive], [c for _, c, _ in drive])), shape=(count, total)
    )
    wanted = np.zeros((unknowns, 2 * len(places)))
    for k, node in enumerate(places):
        wanted[2 * node, 2 * k] = wanted[2 * node + 1, 2 * k + 1] = 1.0
    normal = (equations.T @ equations + STILL * identity(unknowns)).tocsc()
    answers = np.asarray(driving.T @ np.asarray(equations @ splu(normal).solve(wanted)), np.float64)
    moves = answers.T.reshape(len(places), 2, total)
    sides = tuple(tuple(zip(one, (*one[1:], one[0]), strict=True)) for one in bends)
    return Response(tuple(int(i) for i in first), sides, moves)


def _normals(mesh: Mesh, bends: tuple[int, ...]) -> Floats:
    corners = mesh.nodes_mm[list(bends)]
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.hypot(*along.T)[:, None]
    return np.column_stack([along[:, 1], -along[:, 0]])
