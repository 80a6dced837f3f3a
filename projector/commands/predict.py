"""`chalkbeam predict`: what the finished block will measure, from the units and seams that were measured."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from projector.commands.options import add_json
from projector.piecing.planfile import load_plan
from projector.predicting import predict, read_units
from projector.table.clock import WallClock
from projector.telling.events import Teller
from projector.telling.predictwords import prediction_words


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("predict", help="foretell the finished block's size", description=__doc__)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan file with a [block]")
    parser.add_argument("units", metavar="UNITS", help="records, or a file of lines of check --json")
    parser.add_argument("--metric", action="store_true", help="tell lengths in millimetres")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read both, foretell, say it."""
    plan = load_plan(args.plan)
    told = predict(plan, read_units(args.units))
    sizes = [
        {
            "corners": list(size.corners),
            "planned_mm": round(size.planned_mm, 4),
            "expected_mm": round(size.expected_mm, 4),
            "sd_mm": round(size.sd_mm, 4),
            "u_mm": round(size.u_mm, 4),
            "shares": {name: round(share, 4) for name, share in size.shares},
        }
        for size in told.sizes
    ]
    circles = [
        {
            "corners": one.corners,
            "miss_deg": round(math.degrees(one.miss_rad), 4),
            "sd_deg": round(math.degrees(one.sd_rad), 4),
        }
        for one in told.closings
    ]
    Teller(WallClock(), args.json).tell(
        "summary",
        words=prediction_words(told, args.metric),
        units=sum(told.measured.values()),
        sizes=sizes,
        circles=circles,
        seam_deeper_mm=None if told.seam is None else round(told.seam.mean_mm, 4),
        sew_deeper_mm=round(told.shift_mm, 4),
        leave_out={name: list(which) for name, which in told.leave_out.items()},
    )
    return 0
