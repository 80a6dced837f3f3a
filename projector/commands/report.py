"""`chalkbeam report`: what was planned, cut and measured, as one page that needs nothing else."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from projector.commands.options import add_json, add_records, whole
from projector.files.unitpictures import FOLDER
from projector.records.opening import open_records
from projector.reporting.faults import ReportError
from projector.table.clock import WallClock
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("report", help="report what was planned and cut", description=__doc__)
    parser.add_argument("sessions", nargs="*", type=whole(1), metavar="SESSION", help="their numbers (the last one)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="the page (.html)")
    parser.add_argument(
        "--export",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="the figures, as .csv or .json; repeatable",
    )
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="FOLDER",
        help="photographs that cut kept (units beside the records)",
    )
    add_records(parser)
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read the records, write what is asked for, say where it is."""
    # Here, because the page and SQLAlchemy take half a second to load, which no other command should wait for.
    from projector.files.wholefile import write_whole
    from projector.reporting.exporting import export, kind_of
    from projector.reporting.gathering import Rigs, chosen, gathered
    from projector.reporting.page import page
    from projector.reporting.photographs import Photographs

    if args.output is None and not args.export:
        raise ReportError("nowhere to write; give -o report.html, or --export FILE.csv")
    for path in args.export:
        kind_of(path)
    with open_records(args.records) as records:
        sessions = chosen(records, args.sessions)
        file = records.place.file
        rigs = Rigs(None if file is None else file.parent)
        told = gathered(records, sessions, rigs)
    parts = [one.part for one in told]
    if args.output is not None:
        folder = args.pictures or (None if file is None else file.parent / FOLDER)
        photographs = Photographs({session.id: session.rig for session in sessions}, rigs, folder)
        write_whole(args.output, page(told, datetime.now().astimezone(), photographs.of))
    for path in args.export:
        export(path, parts)
    files = [str(path) for path in (args.output, *args.export) if path is not None]
    units = sum(len(part.units) for part in parts)
    words = [f"{units} units of {len(sessions)} session{'' if len(sessions) == 1 else 's'}: {', '.join(files)}"]
    Teller(WallClock(), args.json).tell(
        "summary", words=words, units=units, sessions=[session.id for session in sessions], files=files
    )
    return 0
