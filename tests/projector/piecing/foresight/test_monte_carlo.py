"""The linear answer against a Monte Carlo through the same geometry, not linearised: drawn patches, eased together.

Each draw moves every side of every patch, makes the patch's polygon exactly (its sides' lines cut each other), and
lays all patches together so that shared corners agree best, as pins would.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.foresight.forecast import SeamErrors, SideErrors, Source, forecast
from projector.piecing.patchwork.stages import Stages

S = 25.4 / 4
SD_MM = 0.4
DRAWS = 120
MOST_TURNS, SETTLED_MM = 2000, 1e-5


def moved(corners: np.ndarray, outward: np.ndarray) -> np.ndarray:
    """A polygon with each side moved outward by its own amount: neighbouring lines cut each other anew."""
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.hypot(*along.T)[:, None]
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    reach = np.sum(normals * corners, axis=1) + outward
    pairs = [(np.array([normals[i - 1], normals[i]]), np.array([reach[i - 1], reach[i]])) for i in range(len(corners))]
    return np.array([np.linalg.solve(a, b) for a, b in pairs])


@pytest.mark.parametrize(("name", "settings"), [("nine patch", {}), ("half-square triangles", {"units": "2"})])
def test_the_spread_is_that_of_drawn_blocks(name: str, settings: dict[str, str]) -> None:
    block = block_of(name, 200.0, settings)
    stages = Stages(block, S)
    mesh, corners = stages.mesh, stages.corner_nodes()
    bends = [mesh.bends(ring) for ring in mesh.rings]
    first = stages.first_sides()
    sides = first[-1] + len(bends[-1])
    errors = SideErrors(np.zeros(1), np.array([[SD_MM**2]]), np.zeros((1, 1)))
    sizes = forecast(stages, [Source("all", errors, tuple(((side,),) for side in range(sides)))], SeamErrors())
    rng = np.random.default_rng(3)
    lengths = []
    for _ in range(DRAWS):
        outward = rng.normal(0.0, SD_MM, sides)
        drawn = [
            moved(mesh.nodes_mm[list(own)], outward[first[f] : first[f] + len(own)]) for f, own in enumerate(bends)
        ]
        nodes = _eased(mesh.nodes_mm, bends, drawn)
        lengths.append([math.dist(nodes[corners[a]], nodes[corners[b]]) for a, b in (size.corners for size in sizes)])
    drawn_sd = np.std(lengths, axis=0, ddof=1)
    for size, sd in zip(sizes, drawn_sd, strict=True):
        # A drawn SD of so many draws is itself good to 1 / sqrt(2 (n - 1)); four of that.
        assert size.sd_mm == pytest.approx(sd, rel=4.0 / math.sqrt(2.0 * (DRAWS - 1)))
    off = np.mean(lengths, axis=0) - [size.expected_mm for size in sizes]
    assert np.all(np.abs(off) < 4.0 * drawn_sd / math.sqrt(DRAWS) + 0.02)


def _eased(nodes: np.ndarray, bends: list[tuple[int, ...]], drawn: list[np.ndarray]) -> np.ndarray:
    """Where the nodes come to lie: every patch moved and turned as a whole, every node in the middle of its corners.

    In turns, until nothing moves: each turn is the best answer to the other (Kabsch, 1976, in the plane).
    """
    places = nodes.copy()
    for _ in range(MOST_TURNS):
        total, count = np.zeros_like(nodes), np.zeros(len(nodes))
        for own, polygon in zip(bends, drawn, strict=True):
            target = places[list(own)]
            a, b = polygon - polygon.mean(axis=0), target - target.mean(axis=0)
            turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
            c, s = math.cos(turn), math.sin(turn)
            total[list(own)] += a @ np.array([[c, s], [-s, c]]) + target.mean(axis=0)
            count[list(own)] += 1.0
        last, places = places, total / count[:, None]
        if np.abs(places - last).max() < SETTLED_MM:
            break
    return places
