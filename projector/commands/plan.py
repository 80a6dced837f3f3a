"""`chalkbeam plan`: from a block at any size to a plan file, and a picture of it."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from calibration.rigfile import check_place
from projector.commands.options import OptionError, add_json, add_tolerances, read, whole
from projector.piecing.blockmaking import block_to_make, making_of_drawing
from projector.piecing.blocks.catalogue import recipe_of
from projector.piecing.drawing.own import set_in_notes
from projector.piecing.drawingfile import is_drawing, load_drawing
from projector.piecing.lengths import INCH_MM, inches_text, length_mm, length_source, yards_text
from projector.piecing.making import Wishes, plan_of
from projector.piecing.patchwork.patches import Block
from projector.piecing.planreading import plan_from_text, plan_text
from projector.piecing.plans import Making, Plan
from projector.piecing.tables import PlanError
from projector.planpictures.pages import PICTURES, write_pictures
from projector.table.clock import WallClock
from projector.telling.events import Teller


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("plan", help="plan a block: strips, cuts, cloth, sewing", description=__doc__)
    length = read(length_mm)
    parser.add_argument(
        "block", metavar="BLOCK", help="its name, or one's own: a drawing.svg or a list.toml of patches"
    )
    parser.add_argument(
        "--finish", required=True, type=length, metavar="LENGTH", help='finished size, of a drawing its width ("14 in")'
    )
    parser.add_argument("--make", type=whole(1), default=1, metavar="N", help="how many blocks (1)")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a parameter of the block; may be given again"
    )
    parser.add_argument("--seam", type=length, default=INCH_MM / 4, metavar="LENGTH", help='allowance ("1/4 in")')
    parser.add_argument(
        "--usable-width", type=length, default=40 * INCH_MM, metavar="LENGTH", help='of the cloth ("40 in")'
    )
    parser.add_argument("--hand", choices=("left", "right"), default="right", help="the hand that cuts (right)")
    add_tolerances(parser)
    parser.add_argument("-o", "--out", required=True, type=Path, metavar="TOML", help="plan file to write")
    parser.add_argument(
        "--picture", type=Path, metavar="FILE", help=f"picture of the plan to write ({', '.join(PICTURES)})"
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Make the block, plan it, write both files, say in a few lines what it takes."""
    for place in (args.out, args.picture):
        if place is not None:
            check_place(place)
    if args.picture and args.picture.suffix.lower() not in PICTURES:
        raise OptionError(f"{args.picture}: no kind of picture that is drawn; let it end in {', '.join(PICTURES)}")
    making, block, notes = _block(args)
    plain = Wishes()
    wishes = Wishes(
        args.seam,
        plain.tolerance_mm if args.tolerance is None else args.tolerance,
        plain.angle_tolerance_rad if args.angle_tolerance is None else args.angle_tolerance,
        args.hand,
    )
    made = plan_of(block, making, wishes)
    plan = made.plan
    text = plan_text(plan)
    _check_readable(text, args.block)
    args.out.write_text(text, encoding="utf-8")
    if args.picture:
        write_pictures(args.picture, block, made)
    fabrics = [{"name": f.name, "need_mm": round(f.need_mm, 4), "buy_mm": round(f.buy_mm, 4)} for f in plan.fabrics]
    files = {"plan": str(args.out)} | ({"picture": str(args.picture)} if args.picture else {})
    told = [*notes, *words(plan)]
    Teller(WallClock(), args.json).tell(
        "summary", words=told, fabrics=fabrics, steps=len(plan.steps), notes=notes, **files
    )
    return 0


def _block(args: argparse.Namespace) -> tuple[Making, Block, list[str]]:
    """What is made: a block of the library, or one's own with what is to be known of its drawing."""
    making = Making(args.block, args.finish, args.make, args.usable_width)
    if not is_drawing(args.block):
        making = replace(making, settings=tuple(_settings(args.block, args.set, args.seam).items()))
        return making, block_to_make(making), []
    if args.set:
        raise OptionError(f"{args.block}: a drawing has no parameters; leave --set out")
    drawing = load_drawing(Path(args.block))
    making, notes = making_of_drawing(drawing, making)
    block = block_to_make(making)
    return making, block, [*notes, *set_in_notes(block, args.finish, drawing)]


def _check_readable(text: str, block: str) -> None:
    """No plan is written that could not be read again: of a block with more pieces than a plan file holds."""
    try:
        plan_from_text(text, "its plan")
    except PlanError as error:
        why = str(error).rpartition("; ")[0]
        raise PlanError(f"{block}: more than a plan file holds ({why}); make the block in parts") from None


def words(plan: Plan) -> list[str]:
    """What a plan takes, line by line."""
    lines = [f"{f.name}: buy {yards_text(f.buy_mm)}, {inches_text(f.need_mm)} are needed" for f in plan.fabrics]
    for strip in plan.strips:
        kind = "strip set" if strip.seams_mm else "strip"
        many = f"{strip.count} {kind}{'' if strip.count == 1 else 's'} of {' + '.join(strip.fabrics)}"
        lines.append(f"{strip.name}: {many}, {inches_text(strip.width_mm)} wide")
    lines.append(f"{len(plan.units) - len(plan.steps)} kinds of units to cut, {len(plan.steps)} steps of sewing")
    return lines


def _settings(name: str, texts: list[str], seam_mm: float) -> dict[str, str]:
    """The block's parameters; one whose seams must keep apart is told the allowance it is sewn with."""
    settings = dict(_setting(text) for text in texts)
    if any(parameter.name == "seam_allowance" for parameter in recipe_of(name).parameters):
        settings.setdefault("seam_allowance", length_source(seam_mm))
    return settings


def _setting(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not (name.strip() and equals and value.strip()):
        raise OptionError(f'--set "{text}": no parameter with its value; write it like --set "rows=3"')
    return name.strip(), value.strip()
