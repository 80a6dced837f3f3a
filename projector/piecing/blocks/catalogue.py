"""All blocks that come with it, and a block by its name."""

from __future__ import annotations

from collections.abc import Mapping

from projector.piecing.blocks import compass, diamonds, rings, rows, sixty, triangles
from projector.piecing.blocks.recipe import BlockError, Parameter, Recipe, near_to, quoted, taken, values_of
from projector.piecing.patchwork.patches import Block

__all__ = ["BlockError", "Parameter", "Recipe", "block_of", "recipe_of", "recipes", "taken"]

_ALL = (*rows.RECIPES, *triangles.RECIPES, *diamonds.RECIPES, *sixty.RECIPES, *rings.RECIPES, *compass.RECIPES)


def recipes() -> tuple[Recipe, ...]:
    """All recipes, the plainest first."""
    return _ALL


def recipe_of(name: str) -> Recipe:
    """The recipe of that name; hyphens, underscores and capitals do not matter. Raises BlockError."""
    known = {recipe.name: recipe for recipe in _ALL}
    plain = {_plain(known_name): recipe for known_name, recipe in known.items()}
    if _plain(name) not in plain:
        raise BlockError(f"{quoted(name)} is no block of the library; {near_to(name.lower(), known)}")
    return plain[_plain(name)]


def block_of(name: str, finish_mm: float, given: Mapping[str, str]) -> Block:
    """A block of the library at a finished size (its recipe's `finish` says of what), parameters as a person writes
    them: lengths with their unit or as a share of the finished size.

    Raises
    ------
    BlockError
        No such block or parameter, a value that is none, or one with which no block can be made.

    Examples
    --------
    >>> len(block_of("nine patch", 152.4, {}).patches)
    9
    >>> block_of("log cabin", 304.8, {"rouns": "2"})
    Traceback (most recent call last):
    ...
    projector.piecing.blocks.recipe.BlockError: log cabin: "rouns" is no parameter of it; did you mean "rounds"?
    """
    recipe = recipe_of(name)
    return recipe.make(finish_mm, values_of(recipe, finish_mm, given))


def tips_of(name: str, finish_mm: float, given: Mapping[str, str]) -> tuple[tuple[float, float], ...]:
    """The tips of a star's points in the block's own frame, counter-clockwise; none of a block that is no such star.

    >>> len(tips_of("compass star", 304.8, {"points": "16"})), tips_of("nine patch", 304.8, {})
    (16, ())
    """
    recipe = recipe_of(name)
    return compass.tips(finish_mm, values_of(recipe, finish_mm, given)) if recipe in compass.RECIPES else ()


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())
