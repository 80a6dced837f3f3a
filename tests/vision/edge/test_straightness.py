"""What is expected of a side's bow: it steadies what is hardly seen, and hides no bow that is."""

from __future__ import annotations

import numpy as np
import pytest

from vision.edge.straightness import straight_precision, usual_bow_px


def told(seen_px: float, u_px: float, usual_px: float) -> float:
    """The bow as the fit's steps settle: what pixels say, u, weighed against what is expected."""
    bow = np.array([seen_px])
    for _ in range(50):
        expected = straight_precision(bow, np.array([usual_px]))
        bow = seen_px / u_px**2 / (1.0 / u_px**2 + expected)
    return float(bow[0])


def test_a_bow_that_is_surely_seen_stays() -> None:
    assert told(0.5, 0.05, 0.2) == pytest.approx(0.5, rel=0.01)
    assert told(3.0, 0.5, 0.2) == pytest.approx(3.0, rel=0.03)


def test_a_bow_that_is_hardly_seen_is_mostly_straight() -> None:
    assert abs(told(0.2, 0.4, 0.2)) < 0.06


def test_a_weak_side_is_placed_better() -> None:
    """Sides told at their inner third and one end alone, 4000 of them drawn by NumPy with bows as usual: least squares
    with what is expected has a smaller error of the middle than without, and its uncertainty is honest (generated)."""
    rng = np.random.default_rng(5)
    at = np.concatenate([np.linspace(-1.0, -0.7, 6), np.linspace(-0.2, 0.2, 6)])
    seen = np.stack([np.ones_like(at), at, 1.0 / 3.0 - at**2])
    usual, noise = 0.2, 0.4
    bows = rng.normal(0.0, usual, 4000)
    data = bows[:, None] * seen[2] + rng.normal(0.0, noise, (4000, len(at)))
    normal = seen @ seen.T / noise**2
    free = np.linalg.solve(normal, seen @ data.T / noise**2)
    expected = np.repeat(normal[None], 4000, axis=0)
    own = np.zeros((4000, 3))
    for _ in range(30):
        told_by = straight_precision(own[:, 2], np.full(4000, usual))
        expected[:, 2, 2] = normal[2, 2] + told_by
        own = np.linalg.solve(expected, (seen @ data.T / noise**2).T[:, :, None])[:, :, 0]
    error, u = own[:, 0], np.sqrt(np.linalg.inv(expected)[:, 0, 0])
    assert error.std() < 0.7 * free[0].std()
    assert 0.7 < float(np.mean((error / u) ** 2)) < 1.5


def test_longer_sides_may_bow_more() -> None:
    short, long = usual_bow_px(np.array([50.0, 900.0]), np.array([2.0, 2.0]))
    assert short == pytest.approx(0.3)
    assert long == pytest.approx(2.0)
