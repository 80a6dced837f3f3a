"""What the person says of a sitting: where they stand, what they lay on the light, how true ends are."""

from __future__ import annotations

import argparse

from projector.commands.options import OptionError, read
from projector.guide.sitting import TURNS, Sitting
from projector.guide.units.truing import USUAL_TRUING, Truing
from projector.piecing.lengths import angle_rad, length_mm

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
        "--true-above",
        type=read(_limit),
        action="append",
        default=[],
        metavar="LIMIT",
        help="true a later end above this wedge or tilt; may be said twice (the tolerance, 0.35 deg)",
    )
    parser.add_argument(
        "--selvage", type=read(length_mm), default=0.0, metavar="WIDTH", help="selvage at a strip's raw ends (none)"
    )
    parser.add_argument(
        "--ruler",
        type=read(_ruler_mm),
        metavar="THICKNESS",
        help='how thick your ruler is ("3 mm"): dashes then show where its upper edge belongs',
    )
    parser.add_argument("--quiet", action="store_true", help="no tones beside the verdicts")
    parser.add_argument(
        "--monitor", action="store_true", help="show the camera's view with what was found on the laptop's screen"
    )


def sitting_of(args: argparse.Namespace) -> Sitting:
    """The sitting that was told."""
    limits = dict(args.true_above)
    wedge_mm, tilt_rad = limits.get("mm"), limits.get("rad", USUAL_TRUING.tilt_rad)
    return Sitting(args.stand, args.ruler, truing=Truing(wedge_mm, tilt_rad, args.selvage))


def _limit(text: str) -> tuple[str, float]:
    """A wedge as a length, or a tilt as an angle."""
    if text.rstrip().endswith(("deg", "°", "degree", "degrees")):
        return "rad", angle_rad(text)
    return "mm", length_mm(text)


def _ruler_mm(text: str) -> float:
    value_mm = length_mm(text)
    if not 0.0 < value_mm <= THICKEST_MM:
        raise OptionError(f'"{text}" is no ruler\'s thickness; write one like "3 mm"')
    return value_mm
