"""Variances of lines by the scatter of stretches: right where weights were wrong, and steadier than each side's own."""

from __future__ import annotations

import numpy as np
import pytest

from vision.edge.scatter import PULLED, line_variances


def drawn(seed: int, noisier: float, sides: int = 30, stretches: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """What the weights say and what the scatter says, where noise is so many times as strong as assumed (generated)."""
    rng = np.random.default_rng(seed)
    assumed = np.ones((sides, 3))
    pulled = stretches - PULLED
    scattered = noisier**2 * rng.chisquare(pulled, (sides, 3)) / stretches
    return assumed, scattered


@pytest.mark.parametrize("noisier", [0.6, 1.0, 2.0])
def test_noise_is_what_it_is_whatever_it_was_taken_for(noisier: float) -> None:
    assumed, scattered = drawn(1, noisier)
    told = line_variances(assumed, scattered, np.full(30, 12), np.ones(30, bool))
    assert told.mean() == pytest.approx(noisier**2, rel=0.15)


def test_sides_are_told_steadier_together() -> None:
    assumed, scattered = drawn(2, 1.0)
    told = line_variances(assumed, scattered, np.full(30, 12), np.ones(30, bool))
    alone = scattered * 12 / (12 - PULLED)
    assert told.std() < 0.6 * alone.std()


def test_a_side_that_is_far_noisier_says_so() -> None:
    assumed, scattered = drawn(3, 1.0)
    scattered[4] *= 25.0
    told = line_variances(assumed, scattered, np.full(30, 12), np.ones(30, bool))
    assert told[4].mean() > 5.0
    assert np.delete(told, 4, axis=0).mean() < 2.0


def test_prints_and_pictures_of_few_stretches_keep_the_greater() -> None:
    assumed, scattered = drawn(4, 0.5)
    told = line_variances(assumed, scattered, np.full(30, 12), np.zeros(30, bool))
    assert np.all(told >= assumed)
    few = line_variances(assumed[:2], scattered[:2], np.full(2, 6), np.ones(2, bool))
    assert np.all(few >= assumed[:2])


def test_no_side_at_all() -> None:
    assert line_variances(np.empty((0, 3)), np.empty((0, 3)), np.empty(0, int), np.empty(0, bool)).shape == (0, 3)
