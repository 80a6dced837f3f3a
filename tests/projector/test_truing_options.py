"""`--true-above` and `--selvage` as a person writes them."""

from __future__ import annotations

import argparse
import math

import pytest

from projector.commands.sitting import add_sitting, sitting_of
from projector.guide.units.truing import Truing

TILT_RAD = math.radians(0.35)


def told(*words: str) -> Truing:
    parser = argparse.ArgumentParser()
    add_sitting(parser)
    return sitting_of(parser.parse_args(words)).truing


@pytest.mark.parametrize(
    ("words", "truing"),
    [
        ((), Truing(None, TILT_RAD, 0.0)),
        (("--true-above", "1/64 in"), Truing(25.4 / 64, TILT_RAD, 0.0)),
        (("--true-above", "0.3 deg"), Truing(None, math.radians(0.3), 0.0)),
        (("--true-above", "0.5 mm", "--true-above", "0.2°"), Truing(0.5, math.radians(0.2), 0.0)),
        (("--selvage", "1/2 in"), Truing(None, TILT_RAD, 12.7)),
    ],
)
def test_limits_are_lengths_or_angles(words: tuple[str, ...], truing: Truing) -> None:
    found = told(*words)
    assert found.wedge_mm == truing.wedge_mm
    assert (found.tilt_rad, found.selvage_mm) == pytest.approx((truing.tilt_rad, truing.selvage_mm))


@pytest.mark.parametrize("words", [("--true-above", "5"), ("--true-above", "400 deg"), ("--selvage", "much")])
def test_what_is_neither_is_refused_in_a_line(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        told(*words)
    assert words[0] in capsys.readouterr().err
