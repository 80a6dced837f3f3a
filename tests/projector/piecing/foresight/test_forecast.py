"""Sizes foretold, against the trade's closed forms for rows and against a Monte Carlo of polygons laid side by side."""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.piecing.foresight.forecast import SeamErrors, SideErrors, Source, forecast
from projector.piecing.patchwork.order import sewn
from projector.piecing.patchwork.patches import Block, Patch
from projector.piecing.patchwork.stages import Stages

IN = 25.4
S = IN / 4


def rectangle(x: float, y: float, width: float, height: float) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]], float)


def row(n: int, width: float = 2 * IN) -> Stages:
    patches = [Patch("a", rectangle(k * width, 0.0, width, width)) for k in range(n)]
    return Stages(Block("row", sewn(patches), rectangle(0, 0, n * width, width)), S)


def width_errors(sd: float, mean: float = 0.0) -> SideErrors:
    """Of squares whose width along x is off, half of it at each cut edge."""
    share = np.array([0.0, 0.5, 0.0, 0.5])
    return SideErrors(mean * share, sd**2 * np.outer(share, share), np.zeros((4, 4)))


def squares(name: str, faces: range, errors: SideErrors) -> Source:
    return Source(name, errors, tuple(tuple((4 * face + side,) for side in range(4)) for face in faces))


@pytest.mark.parametrize("n", [2, 3, 7])
def test_a_rows_spread_is_the_closed_form(n: int) -> None:
    """Between the outer seam lines sqrt(n sc^2 + (4 (n - 1) + 2) ss^2) (published arithmetic, recomputed)."""
    stages = row(n)
    sc, ss = IN / 64, IN / 64
    sizes = forecast(stages, [squares("a", range(n), width_errors(sc))], SeamErrors(0.0, ss))
    along = [size for size in sizes if size.planned_mm == pytest.approx(2 * n * IN)]
    assert len(along) == 2
    assert along[0].sd_mm == pytest.approx(math.sqrt(n * sc**2 + (4 * (n - 1) + 2) * ss**2), rel=1e-6)
    if n == 3:
        assert along[0].sd_mm / IN == pytest.approx(0.056337, abs=5e-7)


def test_too_wide_a_seam_makes_the_block_too_small_and_too_narrow_a_one_too_large() -> None:
    """A bias b of every allowance shifts the finished length by -2 n b (published arithmetic)."""
    for bias in (IN / 32, -IN / 32):
        sizes = forecast(row(8), [squares("a", range(8), width_errors(0.0))], SeamErrors(bias))
        along = next(size for size in sizes if size.planned_mm == pytest.approx(16 * IN))
        assert along.expected_mm - along.planned_mm == pytest.approx(-2 * 8 * bias, abs=1e-6)
        assert along.per_seam == pytest.approx(-16.0, abs=1e-6)


def test_sixteen_seams_of_a_thirty_second_each_are_half_an_inch() -> None:
    """Published trade arithmetic: units 1/32 in too wide in a row of sixteen."""
    sizes = forecast(row(16), [squares("a", range(16), width_errors(0.0, IN / 32))], SeamErrors())
    along = next(size for size in sizes if size.planned_mm == pytest.approx(32 * IN))
    assert along.expected_mm - along.planned_mm == pytest.approx(0.5 * IN, abs=1e-6)


def test_shares_add_up_and_name_the_worst() -> None:
    sources = [squares("a", range(2), width_errors(0.1)), squares("b", range(2, 4), width_errors(0.3))]
    sizes = forecast(row(4), sources, SeamErrors(0.0, 0.01))
    along = next(size for size in sizes if size.planned_mm == pytest.approx(8 * IN))
    assert along.shares[0][0] == "b"
    assert sum(share for _, share in along.shares) == pytest.approx(1.0)


def test_rows_beside_each_other_ease_each_other() -> None:
    """A rim row of checks spreads less than a row alone, and more than the mean of all rows does."""
    n, sd = 4, 0.3
    patches = [Patch("a", rectangle(i * 50.0, j * 50.0, 50.0, 50.0)) for j in range(n) for i in range(n)]
    stages = Stages(Block("checks", sewn(patches), rectangle(0, 0, 200, 200)), S)
    sizes = forecast(stages, [squares("a", range(16), width_errors(sd))], SeamErrors())
    middle = math.sqrt(n) * sd / math.sqrt(n)  # of the mean of all rows
    lowest = math.sqrt(n) * sd  # of one row alone
    bottom = max((size for size in sizes if size.planned_mm == pytest.approx(200.0)), key=lambda size: size.sd_mm)
    assert middle < bottom.sd_mm < lowest
