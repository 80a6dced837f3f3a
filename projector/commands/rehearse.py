"""`chalkbeam rehearse`: calibrate and cut at a virtual table; no projector, no camera, no cloth needed."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from projector.commands.options import add_json, add_layers, add_records, share, whole
from projector.piecing.planfile import demo_plan, load_plan
from projector.rehearsal.person.skill import Skill
from projector.rehearsing import Stage, rehearse
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("rehearse", help="practise at a virtual table", description=__doc__)
    parser.add_argument("plan", type=Path, nargs="?", metavar="PLAN", help="plan file (a small one is built in)")
    parser.add_argument("-o", "--out", required=True, type=Path, metavar="FOLDER", help="where everything is left")
    parser.add_argument("--seed", type=whole(0), default=1, help="another table and another hand for each number (1)")
    parser.add_argument(
        "--clumsy",
        type=share,
        default=0.0,
        metavar="SHARE",
        help="of the cuts after which something goes wrong beside the cut, 0 to 1 (0)",
    )
    parser.add_argument("--show", action="store_true", help="open a window with the camera's view and the light")
    add_layers(parser)
    add_records(parser, default=None)
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run it, then tell the summary, the last line of all."""
    tellers: list[Teller] = []

    def teller_of(clock: Any) -> Teller:
        tellers.append(Teller(clock, args.json))
        return tellers[0]

    plan = demo_plan() if args.plan is None else load_plan(args.plan)
    skill = Skill(clumsy=args.clumsy)
    stage = Stage(args.out, args.seed, show=args.show, layers=args.layers, records=args.records, skill=skill)
    keys = rehearse(plan, stage, teller_of)
    tellers[0].tell("summary", **keys)
    return 0
