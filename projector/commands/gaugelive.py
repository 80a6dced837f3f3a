"""`chalkbeam gauge` at the table: units are laid and taken away one by one, as the light asks, and then studied."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import partial

from calibration.rig import Rig
from calibration.sheet.board import Board
from projector.commands.benches import at_bench
from projector.commands.devices import add_devices, board_of, opened, rig_for_light
from projector.commands.options import add_sheet, whole
from projector.commands.ready import Done, add_going_on, left_or_new, ready
from projector.commands.sitting import add_sitting
from projector.gauge.study import Look, SelfStudy, study_of
from projector.guide.pile.rounds import Rounds
from projector.piles.piling import pile
from projector.records.journal import Journal
from projector.records.sessions import Entry, standing_units
from projector.setup.rigwords import rig_keys
from projector.table.clock import WallClock
from projector.table.devices import Table
from projector.table.goingon import verdicts_of
from projector.telling.events import Teller, unit_event
from projector.telling.sounds import Tones, kind_of_reading
from vision.comparing.expected import ExpectedShape


def add_live(parser: argparse.ArgumentParser) -> None:
    """The options of a study at the table."""
    parser.add_argument("--units", type=whole(1), default=10, metavar="N", help="how many units are fed (10)")
    add_devices(parser)
    add_going_on(parser, "study")
    add_sitting(parser)
    add_sheet(parser, board=None)


def study_at_table(args: argparse.Namespace, shape: ExpectedShape, teller: Teller) -> SelfStudy | None:
    """Feed, measure, study; None where the person left before the end."""
    rig = rig_for_light(args.rig)
    board = board_of(args.board, rig)
    teller.tell("rig", **rig_keys(rig, args.rig))
    with Journal.open(args.records, teller.tell) as journal, opened(args, WallClock(), teller) as table:
        return fed(args, shape, rig, board, journal, table)


def fed(
    args: argparse.Namespace, shape: ExpectedShape, rig: Rig, board: Board, journal: Journal, table: Table
) -> SelfStudy | None:
    """The study at a table that is open; None where the person left before the end."""
    readied = ready(args, table, rig, board, journal)
    if readied is None:
        return None
    rig, sitting = readied
    rounds = Rounds(args.units, args.rounds, args.people)
    text = f"# gauge of {shape.name}, {args.units} units, {args.rounds} rounds, {args.people} people\n"
    found = left_or_new(args, "gauge", text, partial(_done, rounds), journal, table, rig, sitting)
    if found is None:
        return None
    session, earlier = found[0], standing_units(found[1])
    tones = partial(Tones, kind_of_reading)
    with at_bench(args, table, rig, journal, session, tones) as bench:
        piled = pile(bench, shape, sitting, before=verdicts_of(earlier), rounds=rounds)
    events: list[Mapping[str, object]] = [
        *(one.event() for one in earlier),
        *(unit_event(one, None) for one in piled.units),
    ]
    if piled.stopped or len(events) < rounds.readings:
        left = f"{len(events)} of {rounds.readings} readings are made; --resume goes on with them"
        table.teller.tell("summary", units=len(events), of=rounds.readings, words=[left])
        return None
    journal.end(session, datetime.now().astimezone())
    looks = [Look(f"reading {n} of session {session}", (event,)) for n, event in enumerate(events, 1)]
    return study_of(looks, shape, args.rounds, args.people)


def _done(rounds: Rounds, entries: Sequence[Entry]) -> Done:
    count = len(standing_units(entries))
    return Done(f"{count} of {rounds.readings} readings are made", count, rounds.readings)
