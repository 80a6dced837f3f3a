"""`chalkbeam cut`: the light leads through a plan, cut by cut, and the camera measures every unit."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from calibration.rig import Rig
from calibration.sheet.board import Board
from projector.commands.benches import add_pictures, at_bench
from projector.commands.devices import add_devices, board_of, opened, rig_for_light
from projector.commands.options import add_cloth, add_json, add_layers, add_records, add_sheet
from projector.commands.ready import Done, add_going_on, left_or_new, ready
from projector.commands.sitting import add_sitting
from projector.commands.stripwidths import add_strip_widths, told_strips
from projector.guide.carried import Carried
from projector.guide.sitting import Sitting
from projector.guided import guide
from projector.piecing.planfile import load_plan
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan
from projector.records.journal import Journal
from projector.records.sessions import Entry
from projector.setup.rigwords import rig_keys
from projector.table.clock import WallClock
from projector.table.devices import Table
from projector.table.goingon import carried_from
from projector.telling.events import Teller
from projector.telling.totals import session_keys


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("cut", help="cut a plan, led by light", description=__doc__)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan file (TOML)")
    parser.add_argument("--rig", required=True, type=Path, help="rig file that calibrate wrote")
    add_devices(parser)
    add_records(parser)
    add_pictures(parser)
    add_going_on(parser, "plan")
    parser.add_argument("--hand", choices=("left", "right"), help="the hand that cuts (as the plan says)")
    add_cloth(parser)
    add_layers(parser)
    add_strip_widths(parser)
    add_sitting(parser)
    add_sheet(parser, board=None)
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open everything, lead through the plan, sum up."""
    clock = WallClock()
    teller = Teller(clock, args.json)
    plan, rig = load_plan(args.plan), rig_for_light(args.rig)
    plan = replace(plan, hand=args.hand or plan.hand)
    told_strips(args.strip_widths, plan)
    board = board_of(args.board, rig)
    teller.tell("rig", **rig_keys(rig, args.rig))
    with Journal.open(args.records, teller.tell) as journal, opened(args, clock, teller) as table:
        _cut(args, plan, rig, board, journal, table)
    return 0


def _cut(args: argparse.Namespace, plan: Plan, rig: Rig, board: Board, journal: Journal, table: Table) -> None:
    readied = ready(args, table, rig, board, journal)
    if readied is None:
        return
    rig, sitting = readied
    found = session_for(args, plan, journal, table, rig, sitting)
    if found is None:
        return
    session, carried = found
    if args.strip_widths:
        carried = replace(carried, told_strips=told_strips(args.strip_widths, plan))
    with at_bench(args, table, rig, journal, session) as bench:
        guided = guide(bench, plan, carried, args.layers)
    if not guided.stopped:  # what was left before its end can be resumed
        journal.end(session, datetime.now().astimezone())
    table.teller.tell("summary", **session_keys(journal, session, guided.units))


def session_for(
    args: argparse.Namespace, plan: Plan, journal: Journal, table: Table, rig: Rig, sitting: Sitting
) -> tuple[int, Carried] | None:
    """The session to write into, and what it holds already; None where the person ends."""

    def carried(entries: Sequence[Entry]) -> Carried:
        return replace(carried_from(plan, entries), sitting=sitting)

    def done(entries: Sequence[Entry]) -> Done:
        made = sum(carried(entries).made)
        return Done(f"{made} of {plan.wanted} units are cut", made, plan.wanted)

    found = left_or_new(args, "cut", plan_text(plan), done, journal, table, rig, sitting)
    if found is None:
        return None
    session, entries = found
    return session, carried(entries) if entries else Carried(sitting=sitting)
