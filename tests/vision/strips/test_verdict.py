"""Verdicts on a strip's width: ISO 14253-1:2017's default rule, a guard band of 1.645 u at each limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from vision.comparing.expected import ExpectedShape, ExpectedStrip, Tolerance
from vision.strips.measure import MeasuredStrip, StripLine
from vision.strips.outline import RoughStrip, is_strip
from vision.strips.verdict import judge_strip
from vision.units import Verdict

LINE = StripLine(np.array([[0.0, 0.0], [500.0, 0.0]]), 0.01, 0.0, 0.01)
WANTED = ExpectedStrip("strip(160 mm)", 160.0, Tolerance(0.8))


def strip(width_mm, u_mm=0.1, trouble=None):
    return MeasuredStrip((LINE, LINE), (), width_mm, u_mm, (), trouble)


@pytest.mark.parametrize(
    ("width_mm", "verdict"),
    [
        (160.0, Verdict.FITS),
        (160.63, Verdict.FITS),  # 0.8 - 0.1645 = 0.6355
        (160.64, Verdict.CLOSE),
        (160.96, Verdict.CLOSE),
        (160.97, Verdict.TRIM),
        (159.37, Verdict.FITS),
        (159.36, Verdict.CLOSE),
        (159.03, Verdict.SHORT),
        (166.1, Verdict.OTHER),
    ],
)
def test_the_verdict_on_a_width(width_mm, verdict):
    judged = judge_strip(strip(width_mm), [ExpectedStrip("strip(3 in)", 76.2), WANTED])
    assert (judged.verdict, judged.expected) == (verdict, "strip(160 mm)")
    if verdict is not Verdict.OTHER:
        inside = norm.cdf(160.8, width_mm, 0.1) - norm.cdf(159.2, width_mm, 0.1)
        assert judged.fit_probability == pytest.approx(inside, abs=1e-9)
    assert (judged.why == "") is (verdict is Verdict.FITS)


def test_nothing_expected_nothing_judged():
    judged = judge_strip(strip(160.0), [])
    assert (judged.verdict, judged.expected, judged.fit_probability) == (None, None, None)


def test_a_picture_at_fault_is_looked_at_again():
    judged = judge_strip(strip(160.0, trouble="blurred"), [WANTED])
    assert judged.verdict is Verdict.LOOK_AGAIN
    assert "focus" in judged.why


@pytest.mark.parametrize(
    ("length_mm", "width_mm", "cut_off", "strips", "units", "is_one"),
    [
        (900.0, 160.0, False, [], [], True),
        (251.0, 60.0, False, [], [], True),
        (249.0, 50.0, False, [], [], False),  # a long unit
        (500.0, 160.0, False, [], [], False),  # four-sided, and not 4 times as long as wide
        (500.0, 160.0, False, [WANTED], [], True),
        (170.0, 160.0, False, [WANTED], [], False),  # about square: which way would it be 160 mm wide
        (500.0, 150.0, False, [WANTED], [], False),
        (200.0, 90.0, True, [], [], True),
        (150.0, 90.0, True, [], [], False),  # a square that hangs out
        (150.0, 160.0, True, [WANTED], [], True),
        (300.0, 50.0, False, [], [(50.0, 300.0)], False),  # as long as what is expected
        (400.0, 50.0, False, [], [(50.0, 300.0)], True),
    ],
)
def test_what_is_a_strip(length_mm, width_mm, cut_off, strips, units, is_one):
    rough = RoughStrip((LINE.ends_mat_mm, LINE.ends_mat_mm[::-1]), (0.0, 0.0), (), width_mm, length_mm, cut_off)
    shapes = [ExpectedShape("a", np.array([[0, 0], [b, 0], [b, a], [0, a]], float)) for a, b in units]
    assert is_strip(rough, strips, shapes) is is_one
