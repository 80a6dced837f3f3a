"""What the person says of a sitting: where they stand, and what they lay on the light."""

from __future__ import annotations

import argparse

from projector.commands.options import OptionError, read
from projector.guide.sitting import TURNS, Sitting
from projector.piecing.lengths import length_mm

THICKEST_MM = 15.0  # of a straight edge


def add_sitting(parser: argparse.ArgumentParser) -> None:
    """The options of a sitting."""
    parser.add_argument(
        "--stand",
        choices=tuple(TURNS),
        default="near",
        help="side of the mat where you stand; words face you (near)",
    )
    parser.add_argument(
        "--ruler",
        type=read(_ruler_mm),
        metavar="THICKNESS",
        help='how thick your ruler is ("3 mm"): dashes then show where its upper edge belongs',
    )


def sitting_of(args: argparse.Namespace) -> Sitting:
    """The sitting that was told."""
    return Sitting(args.stand, args.ruler)


def _ruler_mm(text: str) -> float:
    value_mm = length_mm(text)
    if not 0.0 < value_mm <= THICKEST_MM:
        raise OptionError(f'"{text}" is no ruler\'s thickness; write one like "3 mm"')
    return value_mm
