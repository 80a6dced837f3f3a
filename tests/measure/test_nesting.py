"""Nesting holds against a dense lattice and a general optimiser: a few shapes, a second of the optimiser each."""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.piecing.cutting.nesting import nested
from projector.piecing.patchwork.patches import area_mm2
from tests.measure.nesting import LENGTH_MM, Case, cases, double_lattice, lattice_mm2, optimised_mm2, regular

TRIED = ("hexagon 2 in", "pentagon 3 in", "kite, grain", "drawn 0")


@pytest.mark.parametrize("case", [case for case in cases() if case.name in TRIED], ids=lambda case: case.name)
def test_no_more_cloth_than_the_best_of_lattice_and_optimiser_by_a_twentieth(case: Case) -> None:
    nest = nested(case.raw_mm, LENGTH_MM, case.grain_rad)
    ours = nest.strip_mm * LENGTH_MM / nest.per_strip(LENGTH_MM)
    best = min(lattice_mm2(case, LENGTH_MM), optimised_mm2(case, LENGTH_MM, 1.0)[0])
    assert area_mm2(case.raw_mm) < best
    assert best / ours >= 0.95


@pytest.mark.parametrize(
    ("sides", "density"),
    [(48, math.pi / math.sqrt(12.0)), (6, 1.0), (5, (5.0 - math.sqrt(5.0)) / 3.0)],
)
def test_the_double_lattice_has_the_density_that_is_known(sides: int, density: float) -> None:
    """Circles pi / sqrt 12, hexagons 1, regular pentagons (5 - sqrt 5) / 3 = 0.9213 (Kuperberg and Kuperberg 1990, from
    memory)."""
    raw = regular(sides, 100.0)
    _, _, u, v = double_lattice(raw, None)
    assert 2.0 * area_mm2(raw) / abs(float(np.linalg.det([u, v]))) == pytest.approx(density, abs=2e-3)
