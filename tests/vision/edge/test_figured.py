"""What a print's figures may have moved sides by, as bows tell it: against least squares of drawn errors."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.edge.figured import drawn_u, figures_share
from vision.edge.levels import FREE, Levels
from vision.edge.pixels.noise import Noise
from vision.edge.prints.borders import Borders
from vision.edge.prints.foretelling import Prints

Floats = NDArray[np.float64]

SIDES = 4
NOISE = Noise((0.004, 0.004, 0.004), (9.0, 20.0, 20.0))


def levels(spreads: list[list[float]]) -> Levels:
    """Of sides in the middle of the range, whose bins spread by so much (3, S)."""
    none: Any = np.zeros((2, 3, SIDES))
    mean, u = none + 0.5, np.stack([np.array(spreads), np.zeros((3, SIDES))])
    return Levels(none, mean, none[0], none, u, none[0], none[0, 0])


def prints(untold: list[float]) -> Prints:
    nothing = np.zeros((SIDES, 3))
    return Prints(np.array(untold) > 0.0, np.array(untold), Borders(nothing[:, 0], nothing, nothing))


def test_an_offset_and_a_turn_go_with_a_bow_as_errors_along_a_side_have_them() -> None:
    places, rng = np.linspace(-1.0, 1.0, 200), np.random.default_rng(1)
    basis = np.stack([np.ones_like(places), places, 1.0 / 3.0 - places**2])
    fits = np.linalg.lstsq(basis.T, rng.normal(0.0, 1.0, (200, 5000)), rcond=None)[0]
    offset, turn, bow = fits.std(axis=1)
    told = drawn_u(np.array([bow]), np.zeros(1), np.ones(1))[:, 0]
    assert told == pytest.approx([offset, turn], rel=0.05)


def test_only_a_bow_beyond_noise_and_beside_figures_is_doubted() -> None:
    bows, variances, share = (
        np.array([0.3, -0.3, 0.1, 0.3]),
        np.array([0.0, 0.0, 0.02, 0.0]),
        np.array([1.0, 1.0, 1, 0]),
    )
    drawn = drawn_u(bows, variances, share)
    assert drawn[:, 0] == pytest.approx(drawn[:, 1])
    assert np.all(drawn[:, 0] > 0.0)
    assert not drawn[:, 2:].any()


def test_large_figures_are_told_by_bins_that_differ() -> None:
    plain, figured = 0.004, 0.08
    luma, colour = (
        [plain, figured, plain, figured],
        [FREE, FREE, figured, plain],
    )  # colours of the first two tell nothing
    share = figures_share(levels([luma, colour, [plain] * SIDES]), NOISE, prints([0.0] * SIDES))
    assert share.tolist() == [0.0, 1.0, 1.0, 1.0]


def test_of_a_print_what_is_foretold_draws_nothing() -> None:
    figured = [[0.08] * SIDES] * 3
    share = figures_share(levels(figured), NOISE, prints([0.1, 0.5, 1.0, 0.0]))
    assert share.tolist() == [0.1, 0.5, 1.0, 1.0]
