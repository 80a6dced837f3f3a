"""`--strip-widths`: lengths, one for each strip of the first strip set, else one line that says what is wrong."""

from __future__ import annotations

import argparse

import pytest

from projector.commands.options import OptionError
from projector.commands.stripwidths import RULER_U_MM, add_strip_widths, told_strips
from projector.piecing.foresight.seamtest import Length
from projector.piecing.plans import Plan, Strip

PLAN = Plan("two", (Strip("plain", 60.0, 400.0), Strip("A set", 114.3, 400.0, (57.15,), bands_mm=(63.5, 63.5))))


def read(*words: str) -> tuple[float, ...]:
    parser = argparse.ArgumentParser()
    add_strip_widths(parser)
    return tuple(parser.parse_args(words).strip_widths)


def test_widths_are_read_from_the_lower_edge_up() -> None:
    widths = read("--strip-widths", "2 1/2 in 63.2 mm")
    assert told_strips(widths, PLAN) == (Length(63.5, RULER_U_MM), Length(63.2, RULER_U_MM))
    assert told_strips(read(), PLAN) == ()


@pytest.mark.parametrize(
    ("plan", "words"),
    [(PLAN, '1 widths, but "A set" has 2 strips'), (Plan("none"), "the plan has no strip set with")],
)
def test_another_number_of_widths_is_refused_in_one_line(plan: Plan, words: str) -> None:
    with pytest.raises(OptionError, match=words):
        told_strips((63.5,), plan)
