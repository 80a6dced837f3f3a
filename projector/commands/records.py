"""`chalkbeam records`: list, show, export and delete what was judged."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from projector.commands.options import OptionError, add_json, add_records, read, whole
from projector.records.export import ENDINGS, write_export
from projector.records.opening import open_records
from projector.records.sessions import EVERY_SESSION, Entry, Session, Wanted
from projector.records.unsaved import put_away, read_unsaved, take_in
from projector.table.clock import WallClock
from projector.telling.events import Event, Teller
from vision.units import Verdict

if TYPE_CHECKING:
    from projector.records.store import Store

Totals = Mapping[int, Mapping[str | None, int]]
VERDICTS = tuple(verdict.value for verdict in Verdict)


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("records", help="list, show, export and delete what was judged", description=__doc__)
    parser.add_argument(
        "sessions", nargs="*", type=whole(1), metavar="SESSION", help="show these sessions; else all are listed"
    )
    add_records(parser)
    parser.add_argument("--plan", metavar="NAME", help="only of plans with this in their name")
    parser.add_argument("--verdict", type=read(_verdict), help="only with units that were judged so, and these units")
    parser.add_argument("--since", type=read(_day), metavar="DAY", help="only from this day on, like 2026-11-29")
    parser.add_argument("--until", type=read(_day), metavar="DAY", help="only up to this day")
    parser.add_argument("--command", metavar="COMMAND", help="only those that this command wrote, like cut")
    parser.add_argument("--host", metavar="NAME", help="only of the table with the computer of this name")
    parser.add_argument("--export", type=Path, metavar="FILE", help="write them into a file (.csv or .json)")
    parser.add_argument("--delete", action="store_true", help="delete them, after a question")
    parser.add_argument("--yes", action="store_true", help="delete without a question")
    parser.add_argument("--take-in", type=Path, metavar="FILE", help="save what could not be saved at the table")
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Do one thing with the sessions that are wanted."""
    teller = Teller(WallClock(), args.json)
    if args.take_in is not None:
        _take_in(args, teller)
        return 0
    if args.export is not None and args.export.suffix.lower() not in ENDINGS:
        raise OptionError(f"{args.export}: no file for records; let it end in {' or '.join(ENDINGS)}")
    wanted = Wanted(tuple(args.sessions), args.plan, args.command, args.host, args.verdict, args.since, args.until)
    if args.delete and wanted == EVERY_SESSION:
        raise OptionError("--delete takes sessions by number or by a filter; look at the list first")
    with open_records(args.records) as records:
        found = records.sessions(wanted)
        missing = sorted(set(wanted.ids) - {session.id for session in found})
        if missing:
            do = "look at the list, chalkbeam records"
            raise OptionError(f"session {missing[0]}: there is none, or it is not of those that are wanted; {do}")
        totals = records.totals([session.id for session in found])
        if args.delete:
            _delete(args, records, found, totals, teller)
        elif args.export is not None:
            kept = [(session, _entries(records, session, args.verdict)) for session in found]
            write_export(args.export, kept)
            rows = sum(len(entries) for _, entries in kept)
            teller.tell("summary", words=[f"{_sessions(len(found))} in {args.export}, {rows} rows"], **_summary(totals))
        else:
            for session in found:
                teller.tell("seen", what="session", **_session_keys(session, totals[session.id]))
                for entry in _entries(records, session, args.verdict) if args.sessions else ():
                    teller.tell("seen", what="entry", **_entry_keys(entry))
            teller.tell("summary", words=[f"{_sessions(len(found))} in {records.place.said}"], **_summary(totals))
    return 0


def _take_in(args: argparse.Namespace, teller: Teller) -> None:
    deeds = tuple(read_unsaved(args.take_in))
    with open_records(args.records, make=True) as records:
        teller.tell("seen", what="records", saved=take_in(records, deeds), where=records.place.said)
    put_away(args.take_in)


def _delete(args: argparse.Namespace, records: Store, found: Sequence[Session], totals: Totals, teller: Teller) -> None:
    units = _summary(totals)["units"]
    left = sum(session.ended is None for session in found)
    unfinished = f", {left} of them not finished" if left else ""
    asked = f"Delete {_sessions(len(found))} with {units} units{unfinished}, for good? Type yes: "
    if found and not (args.yes or _yes(asked)):
        teller.tell("summary", words=["nothing was deleted; type yes, or give --yes"], deleted=0)
        return
    count = records.delete([session.id for session in found])
    teller.tell("summary", words=[f"{_sessions(count)} deleted"], deleted=count)


def _yes(question: str) -> bool:
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() == "yes"


def _entries(records: Store, session: Session, verdict: str | None) -> tuple[Entry, ...]:
    """All of a session, or the units that were judged so."""
    if verdict is None:
        return records.entries(session.id)
    return tuple(unit for unit in records.units(session.id) if unit.verdict == verdict)


def _session_keys(session: Session, counts: Mapping[str | None, int]) -> Event:
    return {
        **session.keys,
        "rig": session.rig,
        "units": sum(counts.values()),
        "verdicts": {verdict: count for verdict, count in counts.items() if verdict is not None},
    }


def _entry_keys(entry: Entry) -> Event:
    return {
        "n": entry.n,
        "kind": entry.kind,
        "name": entry.name,
        "verdict": entry.verdict,
        "at": entry.at.isoformat(),
        "undone": None if entry.undone is None else entry.undone.isoformat(),
        "measured": entry.event(),
    }


def _summary(totals: Totals) -> Event:
    """The totals over all sessions."""
    counts = Counter[str | None]()
    for of_session in totals.values():
        counts.update(of_session)
    verdicts = {verdict: count for verdict, count in counts.items() if verdict is not None}
    units = {"units": counts.total(), "judged": sum(verdicts.values()), "verdicts": verdicts}
    return {"sessions": len(totals)} | units


def _sessions(count: int) -> str:
    return f"{count} session{'' if count == 1 else 's'}"


def _verdict(text: str) -> str:
    name = text.strip().lower().replace(" ", "_")
    if name not in VERDICTS:
        raise OptionError(f'"{text}" is no verdict; give one of {", ".join(VERDICTS)}')
    return name


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise OptionError(f'"{text}" is no day; write it like 2026-11-29') from None
