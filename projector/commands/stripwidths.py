"""`cut --strip-widths`: what a person measured of the strips of the first strip set before they were sewn."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from projector.commands.options import OptionError, read
from projector.guide.setcheck.state import first_set
from projector.piecing.foresight.seamtest import Length
from projector.piecing.lengths import coordinates_mm
from projector.piecing.plans import Plan
from projector.piecing.tables import shown

RULER_U_MM = 0.2  # of a width that a person reads on a ruler


def add_strip_widths(parser: argparse.ArgumentParser) -> None:
    """How wide the first strip set's strips were before they were sewn, as a person measured them."""
    text = 'how wide the first strip set\'s strips were before sewing, from the lower edge up ("2 1/2 in 2 1/2 in")'
    parser.add_argument("--strip-widths", type=read(coordinates_mm), default=(), metavar="WIDTHS", help=text)


def told_strips(widths_mm: Sequence[float], plan: Plan) -> tuple[Length, ...]:
    """The same, as sure as a ruler is read. Raises OptionError where the plan's first strip set has others."""
    source = first_set(plan)
    wanted = len(source.bands_mm) if source else 0
    if widths_mm and len(widths_mm) != wanted:
        has = (
            f"{shown(source.name)} has {wanted} strips"
            if source
            else "the plan has no strip set with its strips' widths"
        )
        raise OptionError(f"--strip-widths: {len(widths_mm)} widths, but {has}; give one for each, or leave it out")
    return tuple(Length(width_mm, RULER_U_MM) for width_mm in widths_mm)
