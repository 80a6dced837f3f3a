"""The arrow of many sides' equations, against the dense solve by NumPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.edge.common import COMMON, OWN
from vision.edge.equations import Equations

Floats = NDArray[np.float64]

SIDES, N, C = 5, len(OWN), len(COMMON)
LIFT = np.diag([1e-3, 1e-3, 1e-3, *np.zeros(N - 3)])


def equations(seed: int) -> Equations:
    rng = np.random.default_rng(seed)
    factors = rng.normal(0.0, 1.0, (SIDES, N + C, 40))
    normal = factors @ np.swapaxes(factors, 1, 2)
    prior = np.diag(rng.uniform(1.0, 9.0, C))
    return Equations(normal, rng.normal(0.0, 3.0, (SIDES, N + C)), prior, rng.normal(0.0, 1.0, C))


def dense(eq: Equations, with_prior: bool = True) -> tuple[Floats, Floats]:
    """The whole matrix and right side: all sides' own unknowns, then the common ones."""
    size = SIDES * N + C
    matrix, right = np.zeros((size, size)), np.zeros(size)
    common = slice(SIDES * N, size)
    for s in range(SIDES):
        own = slice(s * N, (s + 1) * N)
        matrix[own, own] += eq.normal[s, :N, :N] + LIFT
        matrix[own, common] += eq.normal[s, :N, N:]
        matrix[common, own] += eq.normal[s, N:, :N]
        matrix[common, common] += eq.normal[s, N:, N:]
        right[own] += eq.gradient[s, :N]
        right[common] += eq.gradient[s, N:]
    if with_prior:
        matrix[common, common] += eq.prior_normal
        right[common] += eq.prior_gradient
    return matrix, right


@pytest.mark.parametrize("seed", range(3))
def test_the_step_is_the_dense_one(seed: int) -> None:
    eq = equations(seed)
    whole = np.linalg.solve(*dense(eq))
    own, common = eq.step()
    assert own.ravel() == pytest.approx(whole[: SIDES * N], rel=1e-8, abs=1e-10)
    assert common == pytest.approx(whole[SIDES * N :], rel=1e-8, abs=1e-10)


def test_covariances_are_the_dense_ones() -> None:
    eq = equations(7)
    covariance = np.linalg.inv(dense(eq)[0])
    own, follow, common = eq.eliminated()
    assert common == pytest.approx(covariance[SIDES * N :, SIDES * N :], rel=1e-8)
    for s in range(SIDES):
        here = covariance[s * N : (s + 1) * N, s * N : (s + 1) * N]
        assert own[s] + follow[s] @ common @ follow[s].T == pytest.approx(here, rel=1e-7, abs=1e-12)


def test_a_score_is_that_of_the_named_unknowns_with_all_others_free() -> None:
    # Rao's score test: pull' N^-1 pull of the part that is asked, the others eliminated (Schur complement).
    eq, which = equations(11), slice(2, 6)
    matrix, right = dense(eq, with_prior=False)
    asked = SIDES * N + np.arange(C)[which]
    rest = np.setdiff1d(np.arange(len(right)), asked)
    follow = np.linalg.solve(matrix[np.ix_(rest, rest)], matrix[np.ix_(rest, asked)]).T
    normal = matrix[np.ix_(asked, asked)] - follow @ matrix[np.ix_(rest, asked)]
    pull = right[asked] - follow @ right[rest]
    assert eq.against(which) == pytest.approx(float(pull @ np.linalg.solve(normal, pull)), rel=1e-4)


def test_sides_left_out_of_what_is_common_do_not_move_it() -> None:
    eq, out = equations(3), np.arange(SIDES) == 2
    pulled = replace(eq, gradient=eq.gradient + 5.0 * out[:, None])
    assert pulled.without(out).step()[1] == pytest.approx(eq.without(out).step()[1], rel=1e-12)
    assert pulled.step()[1] != pytest.approx(eq.step()[1], rel=1e-2)
    own, follow, _ = eq.without(out).eliminated()
    assert np.allclose(own, eq.eliminated()[0])
    assert not follow[2].any()


def test_after_the_step_that_solves_them_nothing_pulls() -> None:
    eq = equations(6)
    settled = eq.after(*eq.step())
    own, common = settled.step()
    assert np.abs(own).max() < 2e-3 * np.abs(eq.step()[0]).max()  # but for the lift of what nothing tells
    assert np.abs(common).max() < 2e-3 * np.abs(eq.step()[1]).max()


def test_a_step_stops_where_it_may_not_go_on_and_takes_the_others_along() -> None:
    """The dense solve with one unknown put where it stops."""
    eq = equations(4)
    free = eq.step()[1]
    at = int(np.argmax(np.abs(free)))
    most = np.full(C, np.inf)
    most[at] = free[at] - 0.5 * abs(free[at])
    matrix, right = dense(eq)
    held = SIDES * N + at
    rest = np.delete(np.arange(len(right)), held)
    whole = np.full(len(right), most[at])
    whole[rest] = np.linalg.solve(matrix[np.ix_(rest, rest)], right[rest] - matrix[rest, held] * most[at])
    own, common = eq.step(most=most)
    assert common == pytest.approx(whole[SIDES * N :], rel=1e-8)
    assert own.ravel() == pytest.approx(whole[: SIDES * N], rel=1e-8, abs=1e-10)
    assert eq.step(least=free - 1.0, most=free + 1.0)[1] == pytest.approx(free)
