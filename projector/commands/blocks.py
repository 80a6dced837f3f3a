"""`chalkbeam blocks`: the blocks that come with it, their parameters, and a small drawing of each."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from projector.commands.options import OptionError, add_json, read
from projector.piecing.blocks.catalogue import Parameter, Recipe, block_of, recipe_of, recipes, taken
from projector.piecing.lengths import INCH_MM, length_mm
from projector.table.clock import WallClock
from projector.telling.events import Teller

DRAWN_MM = 12.0 * INCH_MM  # a size at which every block can be made as it stands


def add(commands: Any) -> None:
    """Add the command to the command line."""
    parser = commands.add_parser("blocks", help="list the blocks that come with it", description=__doc__)
    parser.add_argument("block", nargs="*", metavar="BLOCK", help="only these, by name")
    parser.add_argument("--picture", type=Path, metavar="FOLDER", help="draw each block into a file in this folder")
    parser.add_argument("--kind", choices=("svg", "png", "pdf"), default="svg", help="of the pictures (svg)")
    parser.add_argument(
        "--finish", type=read(length_mm), default=DRAWN_MM, metavar="LENGTH", help='size that is drawn ("12 in")'
    )
    add_json(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Tell one block after the other."""
    teller = Teller(WallClock(), args.json)
    if args.picture is not None and args.picture.exists() and not args.picture.is_dir():
        raise OptionError(f"{args.picture}: no folder; give one, or a name that is free")
    for recipe in [recipe_of(name) for name in args.block] or recipes():
        picture = {}
        if args.picture is not None:
            path = args.picture / f"{recipe.name.replace(' ', '_')}.{args.kind}"
            _draw(path, recipe, args.finish)
            picture = {"picture": str(path)}
        parameters = [
            {"name": p.name, "kind": p.kind, "default": p.default, "taken": taken(p), "about": p.about}
            for p in recipe.parameters
        ]
        keys = {"name": recipe.name, "about": recipe.about, "finish": recipe.finish, "parameters": parameters}
        teller.tell("block", **keys, **picture, words=_words(recipe))
    return 0


def _draw(path: Path, recipe: Recipe, finish_mm: float) -> None:
    block = block_of(recipe.name, finish_mm, {})
    from projector.planpictures.blockpicture import write_block  # here, because what draws takes a second to load

    path.parent.mkdir(parents=True, exist_ok=True)
    write_block(path, block)


def _words(recipe: Recipe) -> list[str]:
    """A block as a person reads it, a line for each parameter."""
    return [f"{recipe.name}: {recipe.about}; finished size: {recipe.finish}", *map(_line, recipe.parameters)]


def _line(parameter: Parameter) -> str:
    return f"    {parameter.name}={parameter.default}  {parameter.about} ({taken(parameter)})"
