"""What comes before anything is cut or judged at the table: a rig that still holds, and the cautions read."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from calibration.rig import Rig
from calibration.sheet.board import Board
from projector.commands.devices import check_sizes
from projector.commands.sitting import sitting_of
from projector.guide.sitting import Sitting
from projector.records.journal import Journal
from projector.records.sessions import Entry
from projector.setup.glancing import REALIGN, glanced, key_after_bump, tell_glance
from projector.setup.looking import settle
from projector.setup.realigning import realign
from projector.setup.writing import write_rig
from projector.table.devices import Table
from projector.table.goingon import goes_on
from projector.table.opening import read_longer_list


@dataclass(frozen=True, slots=True)
class Done:
    """How far a session had come: in words, and in numbers."""

    words: str
    count: int
    wanted: int | None = None

    @property
    def of(self) -> dict[str, int]:
        return {} if self.wanted is None else {"of": self.wanted}


def add_going_on(parser: argparse.ArgumentParser, what: str) -> None:
    """Whether to go on with what was left, said beforehand."""
    ways = parser.add_mutually_exclusive_group()
    ways.add_argument("--resume", action="store_true", help=f"go on with this {what} where it was left, without asking")
    ways.add_argument("--anew", action="store_true", help=f"begin this {what} anew without asking, if it was left")


def ready(
    args: argparse.Namespace, table: Table, rig: Rig, board: Board, journal: Journal
) -> tuple[Rig, Sitting] | None:
    """The rig as it holds now, and the sitting that was told; None where the person ends."""
    check_sizes(rig, table)
    settle(table)
    trusted = trusted_rig(table, rig, args.rig, board, args.sheet_thickness)
    if trusted is None:
        return None
    sitting = sitting_of(args)
    if not read_longer_list(table, trusted, sitting, journal, datetime.now().astimezone()):
        return None
    return trusted, sitting


def left_or_new(
    args: argparse.Namespace,
    command: str,
    text: str,
    done: Callable[[Sequence[Entry]], Done],
    journal: Journal,
    table: Table,
    rig: Rig,
    sitting: Sitting,
) -> tuple[int, Sequence[Entry]] | None:
    """The session to write into, and the entries that it holds already; None where the person ends.

    What was left with the same `text`, by `q`, a crash or a power cut, is offered to be gone on with, unless that was
    said before; `done` says how far its entries had come.
    """
    left = None if args.anew else journal.unfinished(text, command)
    entries = () if left is None else journal.records.entries(left.id)
    if left is not None and entries:
        so_far = done(entries)
        wanted = args.resume or goes_on(table, rig, sitting, so_far.words, n=so_far.count, **so_far.of)
        if wanted is None:
            return None
        if wanted:
            table.teller.tell("seen", what="unfinished_session", units=so_far.count, **so_far.of)
            return left.id, entries
    elif args.resume:
        table.teller.tell("refused", what="resume", why="nothing_left", do="a new session of this is begun")
    return journal.begin(datetime.now().astimezone(), command, text, str(args.rig)), ()


def trusted_rig(table: Table, rig: Rig, file: Path, board: Board, thickness_mm: float) -> Rig | None:
    """The rig after a glance, realigned where the person wants it so, by that sheet if need be; None to end."""
    found, _ = glanced(table, rig)
    tell_glance(table.teller, found, set())
    if found.quiet:
        return rig
    key = key_after_bump(table, rig, found, realign=True)
    if key != REALIGN:
        return rig if key else None
    again = realign(table, rig, board, thickness_mm)
    write_rig(table.teller, again, file)
    return again.rig
