"""What is left of the light alike beside all sides: told from noise, as a distance. Made-up sums, drawn by seed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.edge.misfit import FEWEST, FIRST_PX, STEP_PX, STEPS, USUAL_PX, misfit_px, own_misfit_px

Floats = NDArray[np.float64]

OUTWARD_PX = FIRST_PX + STEP_PX * (np.arange(STEPS) + 0.5)
SLOPE = np.exp(-0.5 * (OUTWARD_PX / 0.8) ** 2)  # of a light that rises across the edge
MIDDLE = SLOPE / np.hypot.reduce(SLOPE)
OVERSHOOT = np.roll(MIDDLE, 4)  # as large, at another place


def sums(sides: int, shared_px: float, noise_px: float, seed: int = 0, own_px: float = 0.0) -> Floats:
    """(3, S, 2, K): residuals as an overshoot leaves, like `shared_px` of offset in all, `own_px` in each by itself.

    Noise is as great as that of `noise_px` in a side's halves together.
    """
    rng = np.random.default_rng(seed)
    contrast, weight = rng.uniform(0.1, 0.6, (sides, 1, 1)), rng.uniform(50.0, 400.0, (sides, 2, STEPS))
    size = contrast * np.hypot.reduce(SLOPE)
    noise = rng.normal(0.0, noise_px / np.sqrt(STEPS / 2), (sides, 2, STEPS))
    left = size * (shared_px * OVERSHOOT + own_px * rng.normal(0.0, 1.0, (sides, 1, 1)) * OVERSHOOT + noise)
    return np.stack([left * weight, contrast * SLOPE * weight, weight])


@pytest.mark.parametrize("shared_px", [0.03, 0.1])
def test_what_all_sides_have_left_is_told_as_a_distance(shared_px: float) -> None:
    for seed in range(5):
        found = misfit_px(sums(12, shared_px, 0.02, seed), np.ones(12, np.bool_))
        assert found == pytest.approx(shared_px, rel=0.25)


def test_noise_alone_is_no_misfit() -> None:
    """Mean products of two sides scatter by noise² / sqrt(K n (n - 1) / 2) about 0."""
    found = [misfit_px(sums(12, 0.0, 0.02, seed), np.ones(12, np.bool_)) for seed in range(40)]
    assert np.mean(np.square(found)) < 0.02**2 / np.sqrt(STEPS * 12 * 11 / 2)
    assert np.mean(np.array(found) == 0.0) > 0.6


def test_one_side_of_its_own_is_nothing_that_all_have() -> None:
    """A frayed side leaves ten times as much as the others' noise."""
    of_sides = sums(12, 0.0, 0.02)
    size = np.hypot.reduce(of_sides[1, 3, 0] / of_sides[2, 3, 0])
    of_sides[0, 3] += 0.2 * size * OVERSHOOT * of_sides[2, 3]
    assert misfit_px(of_sides, np.ones(12, np.bool_)) < 0.01


def test_too_few_sides_say_nothing() -> None:
    telling = np.zeros(12, np.bool_)
    telling[: FEWEST - 1] = True
    assert misfit_px(sums(12, 0.1, 0.0), telling) == 0.0
    assert own_misfit_px(sums(12, 0.0, 0.0, own_px=0.1), telling, 0.0) == USUAL_PX


@pytest.mark.parametrize("own_px", [0.02, 0.1])
def test_what_each_side_has_left_all_along_is_told_by_its_halves(own_px: float) -> None:
    """The mean square of 24 normal draws scatters by sqrt(2 / 24)."""
    everywhere = np.ones(24, np.bool_)
    found = [own_misfit_px(sums(24, 0.0, 0.02, seed, own_px), everywhere, 0.0) for seed in range(20)]
    assert np.mean(np.square(found)) == pytest.approx(own_px**2, rel=0.3)


def test_noise_alone_is_no_misfit_of_a_side() -> None:
    """What is left is the usual, as one side of 25, and half the scatter of mean products about 0."""
    found = [own_misfit_px(sums(24, 0.0, 0.02, seed), np.ones(24, np.bool_), 0.0) for seed in range(40)]
    chance = 2.0 * 0.02**2 / np.sqrt(STEPS * 24)
    assert np.mean(np.square(found)) < USUAL_PX**2 / 25 + chance


def test_what_all_have_in_common_is_not_counted_twice() -> None:
    of_sides = sums(24, 0.1, 0.02)
    both = misfit_px(of_sides, np.ones(24, np.bool_))
    assert own_misfit_px(of_sides, np.ones(24, np.bool_), both) < 0.4 * both
