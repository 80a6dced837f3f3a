"""`chalkbeam check`: measure units, strips and finished blocks in photographs, and sum the units up as a pile."""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from calibration.rig import Rig
from calibration.rigfile import load_rig
from projector.checking import Checked, Expected, check_photographs
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
from projector.files.album import write_png
from projector.piecing.lengths import is_metric
from projector.piecing.planfile import load_plan, unit_of_plan, wanted_shape
from projector.piecing.planreading import plan_text
from projector.piecing.wholes import Star, Strip, parse_whole
from projector.piles.laidanew import dimensions_anew
from projector.records.journal import Journal
from projector.table.clock import WallClock
from projector.telling.events import Event, Teller, unit_event
from projector.telling.pieceevents import block_event, strip_event
from projector.telling.totals import pile_keys
from vision.blocks.measure import BLOCK_CLOTH
from vision.comparing.expected import ExpectedShape, ExpectedStar, ExpectedStrip, LengthUnit, Tolerance
from vision.measure import Cloth
from vision.overlay.pieces import draw_blocks, draw_strips
from vision.overlay.units import draw_units
from vision.pile import sum_up
from vision.units import Judged

STANDARD = Tolerance()
DOUBTFUL_U = 0.005  # of all sizes: from here on 1.645 u of 4 in is more than 1/32 in
READ_THE_BARS = "read the sheet's bars and calibrate again with --bar-along and --bar-across, or with --bar exact"


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("check", help="measure the units in photographs", description=__doc__)
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photographs, all in the size of the rig's camera")
    parser.add_argument("--rig", required=True, type=Path, help="rig file that calibrate wrote")
    parser.add_argument(
        "--expect",
        action="append",
        default=[],
        metavar="SHAPE",
        help="what a unit should be, like 'square(4 1/2 in)' or plan.toml:name, a strip, like 'strip(6 1/4 in)', or a "
        "finished block, like 'star(16, 18 in)'; repeat it for several",
    )
    parser.add_argument(
        "--count", type=whole(0), metavar="N", help="how many units must be in each picture; else exit code 1"
    )
    parser.add_argument(
        "--empty", action="append", default=[], metavar="FILE", help="picture of the bare mat; repeatable"
    )
    parser.add_argument("--picture", type=Path, metavar="PNG", help="draw what was measured over the photograph")
    add_tolerances(parser)
    add_cloth(parser)
    add_records(parser, default=None, without="nowhere")
    add_json(parser)
    parser.set_defaults(run=run, cloth=None)


def run(args: argparse.Namespace) -> int:
    """Measure, tell each unit, and sum up."""
    teller = Teller(WallClock(), args.json)
    rig = load_rig(args.rig)
    cloth = cloth_of(args.cloth)
    block_cloth = BLOCK_CLOTH if args.cloth is None else cloth
    expected = [expected_of(text, args.tolerance, args.angle_tolerance) for text in args.expect]
    if args.picture is not None and not args.picture.parent.is_dir():
        raise OptionError(f"{args.picture}: cannot be written, the folder is missing; make it, or give another")
    if rig.scale_u > DOUBTFUL_U:
        teller.tell("seen", what="scale", scale_u=rig.scale_u, scale_how=rig.scale_how, do=READ_THE_BARS)
    paths, all_units, counts = files(args.photos), list[Judged](), dict[str, int]()
    kinds: Counter[str] = Counter()
    with _keeping(args, teller) as keep:
        for checked in check_photographs(paths, rig, expected, files(args.empty), cloth, block_cloth):
            for event in _events(checked):
                keep(event)
                teller.pass_on(event)
                kinds[str(event["event"])] += 1
            if args.picture is not None:
                _draw(checked, rig, cloth, block_cloth, args.picture, len(paths))
            all_units += checked.units
            counts[checked.name] = len(checked.units)
    _sum_up(teller, all_units, [shape for shape in expected if isinstance(shape, ExpectedShape)], kinds)
    return _told_count(teller, counts, args.count)


@contextmanager
def _keeping(args: argparse.Namespace, teller: Teller) -> Iterator[Callable[[Event], object]]:
    """What keeps each event in the records, if any were named, as one session."""
    if args.records is None:
        yield lambda event: None
        return
    plans = {file: unit for file, unit in map(unit_of_plan, args.expect) if file is not None}
    text = plan_text(load_plan(next(iter(plans)))) if len(plans) == 1 else ""
    with Journal.open(args.records, teller.tell) as journal:
        session = journal.begin(datetime.now().astimezone(), "check", text, str(args.rig))

        def keep(event: Event) -> None:
            _, unit = unit_of_plan(str(event.get("expected") or ""))
            named = event if unit is None else event | {"name": unit}
            journal.keep(session, named, datetime.now().astimezone())

        yield keep
        journal.end(session, datetime.now().astimezone())


def _events(checked: Checked) -> Iterator[Event]:
    """Units numbered from 1 in each photograph, as the drawn picture numbers them."""
    for number, judged in enumerate(checked.units, 1):
        yield unit_event(judged, checked.name) | {"number": number}
    yield from (strip_event(judged, checked.name) for judged in checked.strips)
    yield from (block_event(block, star.name, checked.name) for block, star in checked.blocks)


def _told_count(teller: Teller, counts: Mapping[str, int], wanted: int | None) -> int:
    """The exit code: 1, with one line, where a picture shows another number of units than was said."""
    wrong = [f"{name} shows {count}" for name, count in counts.items() if wanted not in (None, count)]
    if not wrong:
        return 0
    do = "look whether pieces touch or lie out of the picture, and take another"
    teller.refuse(f"{wanted} unit{'' if wanted == 1 else 's'} must be in a picture, and {', '.join(wrong)}; {do}")
    return 1


def expected_of(text: str, tolerance_mm: float | None, angle_tolerance_rad: float | None) -> Expected:
    """The shape, strip or block that a text names; a tolerance given on the command line goes before a plan's own."""
    said_in: LengthUnit = "mm" if is_metric(text) else "in"
    match parse_whole(text):
        case Strip(name, width):
            own = STANDARD.width_mm if tolerance_mm is None else tolerance_mm
            return ExpectedStrip(name, width, Tolerance(own), said_in)
        case Star(name, points, side):
            return ExpectedStar(points, side, name, said_in)
    wanted = wanted_shape(text)
    shape = wanted.shape
    width_mm = next(t for t in (tolerance_mm, wanted.tolerance_mm, STANDARD.width_mm) if t is not None)
    angle_rad = next(t for t in (angle_tolerance_rad, wanted.angle_tolerance_rad, STANDARD.angle_rad) if t is not None)
    by_side = wanted.side_tolerances_mm if tolerance_mm is None else ()
    tolerance = Tolerance(width_mm, angle_rad)
    return ExpectedShape(text, shape.corners_mm, shape.seams_mm, shape.side_names, tolerance, by_side, said_in)


def _draw(checked: Checked, rig: Rig, cloth: Cloth, block_cloth: Cloth, path: Path, of: int) -> None:
    """The photograph with what was measured; of several, each under its own name."""
    own = path if of == 1 else path.with_name(f"{path.stem}_{Path(checked.name).stem}.png")
    camera = rig.camera.pinhole
    picture = draw_units(checked.pixels, camera, cloth.height_mm, checked.units)
    picture = draw_strips(picture, camera, cloth.height_mm, checked.strips)
    write_png(own, draw_blocks(picture, camera, block_cloth.height_mm, checked.blocks))


def _sum_up(teller: Teller, units: Sequence[Judged], expected: Sequence[ExpectedShape], kinds: Counter[str]) -> None:
    """The counts, also of what are no units, and how each width spreads, under its name in the plan."""
    pile = sum_up(units, expected)
    named = {(shape.name, one.places): one.name for shape in expected for one in dimensions_anew(shape)}
    widths = [
        {"expected": name, "sides": list(sides), "name": named.get((name, sides), "width"), "count": s.count}
        | {"mean": round(s.mean, 4), "sd": round(s.sd, 4), "least": round(s.least, 4), "greatest": round(s.greatest, 4)}
        for (name, sides), s in pile.widths_mm.items()
        if math.isfinite(s.mean)
    ]
    teller.tell("summary", **pile_keys(pile), strips=kinds["strip"], blocks=kinds["block"], widths_mm=widths)
