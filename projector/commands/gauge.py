"""`chalkbeam gauge`: the tool examines itself by a gauge study of the same units, measured several times over."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from calibration.rigfile import load_rig
from projector.checking import check_photographs
from projector.commands.check import expected_of
from projector.commands.gaugelive import add_live, study_at_table
from projector.commands.options import (
    OptionError,
    add_cloth,
    add_json,
    add_records,
    add_tolerances,
    cloth_of,
    files,
    whole,
)
from projector.gauge.picture import ENDINGS, draw_study
from projector.gauge.study import Look, SelfStudy, study_of
from projector.gauge.words import study_keys, study_words
from projector.records.opening import open_records
from projector.records.sessions import Wanted
from projector.table.clock import WallClock
from projector.telling.events import Teller, unit_event
from projector.telling.plansaid import readable_plan, shape_of
from vision.comparing.expected import ExpectedShape, Tolerance
from vision.frames.cameras import pictures_in

PICTURE = "gauge.png"  # of a study at the table, where no other name is said


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("gauge", help="let the tool examine itself", description=__doc__)
    parser.add_argument(
        "--from",
        dest="photos",
        action="append",
        default=[],
        metavar="PHOTOS",
        help="folder of photographs, or a pattern; repeatable. One unit in each, every unit once a round in the same "
        "order, or numbered like u03_r2_p1.jpg; or all units in each, laid where they lay before",
    )
    parser.add_argument(
        "--session", type=whole(1), metavar="N", help="units of the records instead, fed in the same order each round"
    )
    parser.add_argument("--unit", metavar="NAME", help="which kind of unit of the session, if there are several")
    add_records(parser)
    parser.add_argument("--rig", type=Path, help="rig file that calibrate wrote")
    parser.add_argument("--expect", metavar="SHAPE", help="what the units should be, as for check")
    parser.add_argument("--rounds", type=whole(2), default=3, metavar="N", help="how often each was measured (3)")
    parser.add_argument("--people", type=whole(1), default=1, metavar="N", help="how many people measured (1)")
    parser.add_argument(
        "--empty", action="append", default=[], metavar="FILE", help="picture of the bare mat; repeatable"
    )
    parser.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help=f"draw every reading (.png, .svg or .pdf; at the table {PICTURE})",
    )
    add_live(parser)
    add_tolerances(parser)
    add_cloth(parser)
    add_json(parser)
    parser.set_defaults(run=run, cloth=None)


def run(args: argparse.Namespace) -> int:
    """Measure, study, tell."""
    if args.picture is not None and args.picture.suffix.lower() not in ENDINGS:
        raise OptionError(f"{args.picture}: no picture's name; let it end in {', '.join(ENDINGS)}")
    teller = Teller(WallClock(), args.json)
    study = _study(args, teller)
    if study is None:  # left before its end, to be gone on with
        return 0
    words = study_words(study)
    if args.picture is not None:
        draw_study(study, args.picture)
        words.append(f"every reading is drawn in {args.picture}")
    teller.tell("summary", words=words, **study_keys(study))
    return 0


def _study(args: argparse.Namespace, teller: Teller) -> SelfStudy | None:
    if args.session is not None:
        return _of_session(args)
    if args.photos or args.rig is None or args.expect is None:
        return _of_photographs(args, teller)
    args.picture = args.picture or Path(PICTURE)
    return study_at_table(args, _shape(args), teller)


def _shape(args: argparse.Namespace) -> ExpectedShape:
    shape = expected_of(args.expect, args.tolerance, args.angle_tolerance)
    if not isinstance(shape, ExpectedShape):
        raise OptionError(f"{args.expect}: no unit; give a shape like 'square(4 1/2 in)' or plan.toml:name")
    return shape


def _of_photographs(args: argparse.Namespace, teller: Teller) -> SelfStudy:
    if not args.photos or args.rig is None or args.expect is None:
        do = "give --from FOLDER with --rig and --expect, or --session N, or --rig and --expect alone at the table"
        raise OptionError(f"nothing to study; {do}")
    shape = _shape(args)
    rig, cloth = load_rig(args.rig), cloth_of(args.cloth)
    looks = []
    for checked in check_photographs(list(_stills(args.photos)), rig, [shape], files(args.empty), cloth):
        events = [unit_event(judged, checked.name) for judged in checked.units]
        for event in events:
            teller.tell(str(event["event"]), **{key: value for key, value in event.items() if key != "event"})
        looks.append(Look(checked.name, tuple(events)))
    return study_of(looks, shape, args.rounds, args.people)


def _of_session(args: argparse.Namespace) -> SelfStudy:
    """Units that were fed one by one; one that was not measured well has its turn all the same."""
    with open_records(args.records) as records:
        found = records.sessions(Wanted(ids=(args.session,)))
        if not found:
            raise OptionError(f"{records.place.said}: no session {args.session}; chalkbeam records lists them")
        units = records.units(args.session)
    names = list(dict.fromkeys(unit.name or str(unit.event().get("expected")) for unit in units))
    name = args.unit or (names[0] if len(names) == 1 else None)
    if name not in names:
        do = f"name one of {', '.join(names)} with --unit" if names else "feed units to the camera first"
        raise OptionError(f"session {args.session} has {len(names)} kinds of units; {do}")
    shape = shape_of(readable_plan(found[0].plan), name) if args.expect is None else _shape(args)
    if shape is None:
        do = "give --expect SHAPE, or another --unit"
        raise OptionError(f"{name}: the session's plan does not say what it should be; {do}")
    limits = Tolerance(
        shape.tolerance.width_mm if args.tolerance is None else args.tolerance,
        shape.tolerance.angle_rad if args.angle_tolerance is None else args.angle_tolerance,
    )
    mine = [unit for unit in units if (unit.name or unit.event().get("expected")) == name]
    looks = [Look(f"unit {unit.n} of session {args.session}", (unit.event(),)) for unit in mine]
    return study_of(looks, replace(shape, tolerance=limits), args.rounds, args.people)


def _stills(patterns: list[str]) -> Iterator[Path]:
    """Photographs by name; of a folder all of its stills."""
    for path in files(patterns):
        yield from pictures_in(path) if path.is_dir() else [path]
