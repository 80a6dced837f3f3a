"""`chalkbeam gauge`: the tool examines itself by a gauge study of the same units, measured several times over."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from calibration.rigfile import load_rig
from projector.checking import check_photographs
from projector.clock import WallClock
from projector.commands.check import cloths, expected_of
from projector.commands.options import OptionError, add_cloth, add_json, add_tolerances, files, whole
from projector.events import Teller, unit_event
from projector.gaugepicture import ENDINGS, draw_study
from projector.gaugewords import study_keys, study_words
from projector.gauging import Look, SelfStudy, study_of
from vision.cameras import pictures_in
from vision.expected import ExpectedShape


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
    parser.add_argument("--rig", type=Path, help="rig file that calibrate wrote")
    parser.add_argument("--expect", metavar="SHAPE", help="what the units should be, as for check")
    parser.add_argument("--rounds", type=whole(2), default=3, metavar="N", help="how often each was measured (3)")
    parser.add_argument("--people", type=whole(1), default=1, metavar="N", help="how many people measured (1)")
    parser.add_argument(
        "--empty", action="append", default=[], metavar="FILE", help="picture of the bare mat; repeatable"
    )
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw every reading (.png, .svg or .pdf)")
    add_tolerances(parser)
    add_cloth(parser)
    add_json(parser)
    parser.set_defaults(run=run, cloth=None)


def run(args: argparse.Namespace) -> int:
    """Measure, study, tell."""
    if args.picture is not None and args.picture.suffix.lower() not in ENDINGS:
        raise OptionError(f"{args.picture}: no picture's name; let it end in {', '.join(ENDINGS)}")
    teller = Teller(WallClock(), args.json)
    study = _of_photographs(args, teller)
    if args.picture is not None:
        draw_study(study, args.picture)
    teller.tell("summary", words=study_words(study), **study_keys(study))
    return 0


def _of_photographs(args: argparse.Namespace, teller: Teller) -> SelfStudy:
    if not args.photos or args.rig is None or args.expect is None:
        raise OptionError("nothing to study; give --from FOLDER with --rig and --expect")
    shape = expected_of(args.expect, args.tolerance, args.angle_tolerance)
    if not isinstance(shape, ExpectedShape):
        raise OptionError(f"{args.expect}: no unit; give a shape like 'square(4 1/2 in)' or plan.toml:name")
    rig, (cloth, _) = load_rig(args.rig), cloths(args.cloth)
    looks = []
    for checked in check_photographs(list(_stills(args.photos)), rig, [shape], files(args.empty), cloth):
        events = [unit_event(judged, checked.name) for judged in checked.units]
        for event in events:
            teller.tell(str(event["event"]), **{key: value for key, value in event.items() if key != "event"})
        looks.append(Look(checked.name, tuple(events)))
    return study_of(looks, shape, args.rounds, args.people)


def _stills(patterns: list[str]) -> Iterator[Path]:
    """Photographs by name; of a folder all of its stills."""
    for path in files(patterns):
        yield from pictures_in(path) if path.is_dir() else [path]
