"""How far sides differ is learnt from them, and never taken for less than chance allows. Drawn by seed."""

from __future__ import annotations

import numpy as np
import pytest

from vision.edge.alike import FEWEST, differing
from vision.edge.common import OWN, OWN_U
from vision.edge.equations import own_inverse

FOCUS = OWN.index("focus")
U = np.where(np.isfinite(OWN_U), OWN_U, 9.0)


def learnt(sides: int, blurs_u: float, says_u: float, seed: int = 0) -> float:
    """Of sides whose blurs differ by `blurs_u`, each told by its pixels to within `says_u`."""
    rng = np.random.default_rng(seed)
    seen = np.zeros((sides, len(OWN)))
    seen[:, FOCUS] = blurs_u * rng.normal(size=sides) + says_u * rng.normal(size=sides)
    told = np.full(len(OWN), 1.0 / says_u**2)
    normal = np.tile(np.diag(told + 1.0 / U**2), (sides, 1, 1))
    return differing(own_inverse(normal), seen * told, np.zeros_like(seen), U, FOCUS)


def test_sides_that_differ_by_chance_alone_are_expected_to_be_alike() -> None:
    assert np.median([learnt(40, 0.0, 0.01, seed) for seed in range(20)]) < 0.008


@pytest.mark.parametrize("blurs_u", [0.01, 0.03])
def test_sides_that_differ_are_left_to_differ(blurs_u: float) -> None:
    """By what they do, and two standard deviations of noise's sum of squares: 2 sqrt(2 / 39) of its variance."""
    variances = [learnt(40, blurs_u, 0.005, seed) ** 2 for seed in range(20)]
    assert 0.8 < np.mean(variances) / blurs_u**2 < 1.6
    assert min(variances) > (0.6 * blurs_u) ** 2


def test_never_more_than_before_and_of_few_sides_nothing() -> None:
    assert learnt(40, 0.5, 0.01) == U[FOCUS]
    assert learnt(FEWEST - 1, 0.0, 0.01) == U[FOCUS]


def test_a_side_of_which_no_pixel_tells_stops_nothing() -> None:
    """Of a grey picture's sides that have the mat's level, for instance; the others tell what they told without it."""
    normal = np.tile(np.diag(np.full(len(OWN), 1e4)), (8, 1, 1))
    normal[3] = np.diag(np.where(np.isfinite(OWN_U), 1.0 / OWN_U**2, 0.0))
    nothing = np.zeros((8, len(OWN)))
    whole = differing(own_inverse(normal), nothing, nothing, U, FOCUS)
    rest = [one for one in range(8) if one != 3]
    assert abs(whole - differing(own_inverse(normal[rest]), nothing[rest], nothing[rest], U, FOCUS)) < 0.001
