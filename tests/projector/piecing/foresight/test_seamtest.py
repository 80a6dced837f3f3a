"""The seam test, by worked examples, by published trade arithmetic, and its stated uncertainty by drawn sets."""

from __future__ import annotations

import math

import numpy as np
import pytest

from projector.piecing.foresight.foretelling import foretold, made_of
from projector.piecing.foresight.seamadvice import block_words, odd_seam_words, seam_words, sewing_words
from projector.piecing.foresight.seamtest import Length, SeamTest, seam_test
from projector.piecing.plans import Making, Plan

IN = 25.4
QUARTER = IN / 4


def exact(*widths_mm: float, u_mm: float = 0.0) -> list[Length]:
    return [Length(width_mm, u_mm) for width_mm in widths_mm]


def test_three_strips_that_show_an_inch_of_the_middle_one_are_sewn_right() -> None:
    """Three strips of 1 1/2 in joined: the middle one shows 1 in; 15/16 in where every seam takes 1/32 in too much
    (published trade practice, recomputed)."""
    right = seam_test(exact(*[1.5 * IN] * 3), Length(3.5 * IN, 0.0), QUARTER, exact(1.25 * IN, 2.25 * IN, u_mm=0.1))
    assert right.depth.mm == pytest.approx(QUARTER)
    assert [one.mm for one in right.each] == pytest.approx([QUARTER] * 2)
    deep = IN / 32
    seams = exact(1.25 * IN - deep, 1.25 * IN - deep + 15 / 16 * IN, u_mm=0.1)
    wide = seam_test(exact(*[1.5 * IN] * 3), Length(3.5 * IN - 4 * deep, 0.0), QUARTER, seams)
    assert wide.deeper_mm == pytest.approx(deep)
    assert [one.mm for one in wide.each] == pytest.approx([QUARTER + deep] * 2)


def test_the_uncertainty_is_that_of_the_worked_example() -> None:
    """By hand: three strips of 63.5 mm, u 0.2 each, a set of 164.3, u 0.15. (190.5 - 164.3) / 4 = 6.55. Independent:
    root(3 x 0.04 + 0.0225) / 4 = 0.0944; all alike: (3 x 0.2 - 0.15) / 4 = 0.1125, which is more."""
    test = seam_test(exact(*[63.5] * 3, u_mm=0.2), Length(164.3, 0.15), 6.35)
    assert (test.depth.mm, test.depth.u_mm) == (pytest.approx(6.55), pytest.approx(0.1125))
    # Two strips: root(0.04 + 0.04 + 0.0225) / 2 = 0.1601 is more than (0.4 - 0.15) / 2 = 0.125.
    two = seam_test(exact(*[63.5] * 2, u_mm=0.2), Length(113.9, 0.15), 6.35)
    assert two.depth.u_mm == pytest.approx(math.sqrt(0.1025) / 2)


def test_one_strip_has_no_seam() -> None:
    with pytest.raises(ValueError, match="two strips"):
        seam_test(exact(63.5), Length(63.5, 0.1), QUARTER)


@pytest.mark.parametrize("alike", [False, True])
def test_stated_uncertainties_hold_for_errors_of_one_kind_and_for_independent_ones(alike: bool) -> None:
    rng, n, u = np.random.default_rng(11), 1500, 0.12
    misses, each = [], []
    for _ in range(n):
        depths = rng.normal(6.4, 0.1, 3)
        takes = np.array([depths[0], depths[0] + depths[1], depths[1] + depths[2], depths[2]])
        errors = np.full(5, rng.normal(0.0, u)) if alike else rng.normal(0.0, u, 5)
        shown = 50.0 - takes
        seams = np.cumsum(shown)[:3] + (0.0 if alike else rng.normal(0.0, u, 3))
        strips = [Length(50.0 + error, u) for error in errors[:4]]
        test = seam_test(strips, Length(shown.sum() + errors[4], u), 6.35, [Length(at, u) for at in seams])
        misses.append((test.depth.mm - depths.mean()) / test.depth.u_mm)
        each.append((test.each[1].mm - depths[1]) / test.each[1].u_mm)
    spread = 4.0 * math.sqrt(2.0 / n)  # 4 standard errors of a mean square
    assert np.mean(np.square(misses)) < 1.0 + spread  # the greater of both cases is stated
    assert np.mean(np.square(misses)) > 0.3
    if not alike:
        assert abs(np.mean(np.square(each)) - 1.0) < spread


def told(deeper_mm: float, u_mm: float = 0.05) -> SeamTest:
    return SeamTest(Length(QUARTER + deeper_mm, u_mm), QUARTER)


@pytest.mark.parametrize(
    ("deeper_mm", "words", "do"),
    [
        (IN / 64, "seams are 1/64 in wide", "sew a thread narrower"),
        (-IN / 64, "seams are 1/64 in narrow", "sew a thread wider"),
        (IN / 32, "seams are 1/32 in wide", "sew 2 threads narrower"),
        (0.15, "seams are under 1/64 in wide", "sew a hair narrower"),
        (0.09, "seams are as planned", ""),  # within two standard uncertainties
        (0.0, "seams are as planned", ""),
    ],
)
def test_what_is_said_of_seams(deeper_mm: float, words: str, do: str) -> None:
    assert seam_words(told(deeper_mm))[0] == words
    assert sewing_words(told(deeper_mm)) == do


def test_a_block_of_nine_squares_gets_six_depths_smaller() -> None:
    """Three squares in a row are sewn along six lines of their own (seam test: each takes one depth), the outer two
    counted: 18 in becomes 18 in - 6/64 in = 17 29/32 in."""
    plan = Plan("a plan", making=Making("nine patch", 18 * IN, 1))
    made = made_of(plan, plan.making) if plan.making else pytest.fail("no block")
    sizes = foretold(made, (), told(IN / 64).errors).sizes[:4]
    assert [size.expected_mm for size in sizes] == pytest.approx([18 * IN - 6 / 64 * IN] * 4)
    assert block_words(sizes) == "the block will finish at 17 29/32 in, not 18 in"
    # Before it is sewn to anything its rim is raw: two depths fewer, as a difference to 18 1/2 in.
    raw = foretold(made, (), told(IN / 64).errors, raw=True).sizes[:4]
    assert [size.expected_mm - size.planned_mm for size in raw] == pytest.approx([-4 / 64 * IN] * 4)


def test_a_seam_unlike_the_others_is_named() -> None:
    depths = [Length(mm, 0.05) for mm in (6.4, 6.35, 7.15, 6.38)]
    assert odd_seam_words(SeamTest(Length(6.57, 0.02), QUARTER, tuple(depths))) == (
        "seam 3 from the lower edge is 1/32 in wider than the others"
    )
    even = tuple(Length(mm, 0.05) for mm in (6.4, 6.35, 6.41, 6.38))
    assert odd_seam_words(SeamTest(Length(6.4, 0.02), QUARTER, even)) == ""
