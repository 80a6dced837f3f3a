"""`chalkbeam pile`: spread units on the mat, or feed them one by one; each gets its sign, and none counts twice."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from calibration.rig import Rig
from calibration.rigfile import load_rig
from calibration.sheet.board import Board
from projector.commands.benches import add_pictures, at_bench
from projector.commands.devices import add_devices, board_of, opened, rig_for_light
from projector.commands.options import OptionError, add_cloth, add_json, add_records, add_sheet, read, whole
from projector.commands.pilefrom import Pictured, add_from, judge_pictures
from projector.commands.ready import Done, add_going_on, left_or_new, ready
from projector.commands.sitting import add_sitting
from projector.guide.sitting import Sitting
from projector.guide.units.state import wanted_of
from projector.piecing.planfile import load_plan
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan, Unit
from projector.piles.piling import pile
from projector.piles.samplewish import Sample, sample_of, sample_wish
from projector.piles.tally import Tally
from projector.records.journal import Journal
from projector.records.sessions import Entry, standing_units
from projector.setup.rigwords import rig_keys
from projector.table.clock import WallClock
from projector.table.devices import Table
from projector.table.goingon import verdicts_of
from projector.telling.events import Teller
from projector.telling.totals import session_keys


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("pile", help="judge a whole pile of units", description=__doc__)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan file (TOML)")
    parser.add_argument("--unit", metavar="NAME", help="which unit of the plan; needed where it has several")
    parser.add_argument("--rig", required=True, type=Path, help="rig file that calibrate wrote")
    parser.add_argument(
        "--count", type=whole(1), metavar="N", help="how many units the pile has; it ends with the last"
    )
    parser.add_argument(
        "--sample",
        type=read(sample_wish),
        metavar="aql=…",
        help="measure a sample of the --count units, drawn at random",
    )
    add_from(parser)
    add_devices(parser)
    add_records(parser)
    add_pictures(parser)
    add_going_on(parser, "pile")
    add_cloth(parser)
    add_sitting(parser)
    add_sheet(parser, board=None)
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open everything, judge the pile, sum up."""
    clock = WallClock()
    teller = Teller(clock, args.json)
    plan = load_plan(args.plan)
    rig = rig_for_light(args.rig) if args.source is None else load_rig(args.rig)
    wished = Wished(plan, unit_of(plan, args.unit, args.plan), sampled(args))
    teller.tell("rig", **rig_keys(rig, args.rig))
    if args.source is not None:
        expected = wanted_of(plan, wished.unit)
        text = f"# pile of {wished.unit.name} from {' '.join(args.source)}\n{plan_text(plan)}"
        with Journal.open(args.records, teller.tell) as journal:
            return judge_pictures(args, Pictured(text, expected, wished.sample, rig, journal, teller))
    with Journal.open(args.records, teller.tell) as journal, opened(args, clock, teller) as table:
        _judge(args, wished, rig, board_of(args.board, rig), journal, table)
    return 0


def unit_of(plan: Plan, name: str | None, file: Path) -> Unit:
    """The unit that was named, or the plan's only one. Raises OptionError."""
    names = [unit.name for unit in plan.units]
    if name is None and len(names) == 1:
        return plan.units[0]
    if name not in names:
        wrong = "several units" if name is None else f'no unit "{name}"'
        raise OptionError(f"{file}: {wrong}; say --unit with one of: {', '.join(names)}")
    return plan.unit(name)


def sampled(args: argparse.Namespace) -> Sample | None:
    """The sample to measure, if one is wished. Raises OptionError, SampleError."""
    if args.sample is None:
        return None
    if args.count is None:
        raise OptionError("--sample needs to know how many units the pile has; say --count N")
    if args.resume and args.sample.seed is None:
        raise OptionError("a sample goes on with its own draw; say its seed too, like aql=2.5,seed=7")
    return sample_of(args.sample, args.count)


@dataclass(frozen=True, slots=True)
class Wished:
    """What is to be judged."""

    plan: Plan
    unit: Unit
    sample: Sample | None


def _judge(args: argparse.Namespace, wished: Wished, rig: Rig, board: Board, journal: Journal, table: Table) -> None:
    readied = ready(args, table, rig, board, journal)
    if readied is None:
        return
    rig, sitting = readied
    found = session_for(args, wished, journal, table, rig, sitting)
    if found is None:
        return
    session, earlier = found
    expected, sample = wanted_of(wished.plan, wished.unit), wished.sample
    tally = Tally(expected, table.teller, sample, earlier)
    count = args.count if sample is None else len(sample.numbers)
    with at_bench(args, table, rig, journal, session) as bench:
        piled = pile(bench, expected, sitting, count, verdicts_of(earlier), wished.plan.hand, tally)
    if not piled.stopped:  # what was left before its end can be resumed
        journal.end(session, datetime.now().astimezone())
    tally.close(session_keys(journal, session, piled.units))


def session_for(
    args: argparse.Namespace, wished: Wished, journal: Journal, table: Table, rig: Rig, sitting: Sitting
) -> tuple[int, Sequence[Entry]] | None:
    """The session to write into, and the units that stand in it already; None where the person ends."""
    text = f"# pile of {wished.unit.name}\n{plan_text(wished.plan)}"

    def done(entries: Sequence[Entry]) -> Done:
        count = len(standing_units(entries))
        return Done(f"{count} units of {wished.unit.name} are judged", count)

    found = left_or_new(args, "pile", text, done, journal, table, rig, sitting)
    return None if found is None else (found[0], standing_units(found[1]))
