"""When a light to one side is reckoned with: made-up fits, of which only the few figures that are asked are given."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vision.edge.common import COMMON, CONTRADICTED, SHADOW, Common, unexplained, unseen
from vision.edge.sidelight import ASIDE, from_aside, hardly_told

USUAL = unseen(1.0)
USUAL_U = float(np.sqrt(USUAL.covariance[ASIDE, ASIDE][0, 0]))
SIDES = 6


def fit(
    aside: tuple[float, float] = (0.0, 0.0),
    u: float = 0.05,
    doubt: float = 0.0,
    follows: float = 0.0,
    own: float = 0.02,
) -> Any:
    """Fits whose light to one side is `aside`, give or take `u`; `follows`, px: how all sides' offsets go with it."""
    values, covariance = USUAL.values.copy(), USUAL.covariance.copy()
    values[ASIDE], covariance[ASIDE, ASIDE] = aside, u**2 * np.eye(2)
    by_common = np.zeros((SIDES, 3, len(COMMON)))
    by_common[:, 0, ASIDE.start] = follows
    return SimpleNamespace(
        common=Common(values, covariance),
        shadow_doubt=doubt,
        leaning=0.0,
        seen=np.ones(SIDES, np.bool_),
        by_common=by_common,
        own_covariance=np.tile(own**2 * np.eye(3), (SIDES, 1, 1)),
    )


@pytest.mark.parametrize(
    ("found", "aside"),
    [
        (fit(), False),
        (fit(doubt=20.0), True),
        (fit((2.0 * USUAL_U, 0.0), u=0.05), True),  # more than usual light has, and surely there
        (fit((0.5 * USUAL_U, 0.0), u=0.01), False),  # surely there, and usual
        (fit((2.0 * USUAL_U, 0.0), u=0.15), False),  # more than usual, and perhaps chance
    ],
)
def test_light_that_ends_beyond_the_usual_comes_from_one_side(found: Any, aside: bool) -> None:
    assert from_aside(found, USUAL) == aside


@pytest.mark.parametrize(
    ("found", "height_px", "untold"),
    [
        (fit(u=0.9 * USUAL_U, follows=0.2), 1.0, True),  # sides' places hang on it by twice their own uncertainty
        (fit(u=0.9 * USUAL_U, follows=0.2), 0.0, False),  # flat cloth throws no shadow
        (fit(u=0.9 * USUAL_U, follows=0.01), 1.0, False),  # light cloth on a dark mat: nothing hangs on it
        (fit(u=0.3 * USUAL_U, follows=0.2), 1.0, False),  # the picture tells
    ],
)
def test_where_a_picture_tells_nothing_of_its_light_none_is_the_usual(
    found: Any, height_px: float, untold: bool
) -> None:
    assert hardly_told(found, USUAL, height_px) == untold


def test_light_that_sides_contradict_is_known_worse_by_birges_ratio_and_blurs_as_before() -> None:
    # R. T. Birge, Physical Review 40 (1932), from memory: uncertainties times the root of chi-square over freedom.
    told = Common(USUAL.values, USUAL.covariance + 1e-3)
    assert unexplained(told, CONTRADICTED) is told
    doubted = unexplained(told, 36.0)
    ratio = np.sqrt(np.diag(doubted.covariance) / np.diag(told.covariance))
    assert ratio[SHADOW] == pytest.approx(3.0)
    assert np.delete(ratio, range(SHADOW.start, SHADOW.stop)) == pytest.approx(1.0)
    assert np.linalg.eigvalsh(doubted.covariance).min() > 0.0
    assert unexplained(unseen(1.0, shadowed=True), 36.0).covariance[-1, -1] == pytest.approx(
        9.0 * unseen(1.0, shadowed=True).covariance[-1, -1]
    )
