"""Blocks of straight strips and rectangles: rails, checks, logs around a centre."""

from __future__ import annotations

import math

from projector.piecing.blocks.build import Floats, block, box, in_pairs, one_by_one, role, square
from projector.piecing.blocks.recipe import Parameter, Recipe, Values, at_least, at_most
from projector.piecing.patchwork.patches import Block, Patch, Piece

LEAST_CENTRE = 1e-3  # of the finished size


def rail(finish_mm: float, of: Values) -> Block:
    """Strips side by side, their fabrics taking turns."""
    n, fabrics = of.count("strips"), of.count("fabrics")
    at = [finish_mm * k / n for k in range(n + 1)]
    strips = [box(role(k % fabrics), at[k], 0.0, at[k + 1], finish_mm) for k in range(n)]
    return block("rail", in_pairs(strips), square(finish_mm))


def checks(name: str, width_mm: float, columns: int, rows: int, corner: str, other: str) -> Block:
    """Squares in rows, two fabrics by turns, `corner` at the lower left."""
    at = [width_mm * k / columns for k in range(max(columns, rows) + 1)]
    cells = [
        [box(other if (i + j) % 2 else corner, at[i], at[j], at[i + 1], at[j + 1]) for i in range(columns)]
        for j in range(rows)
    ]
    return block(name, in_pairs([in_pairs(row) for row in cells]), square(width_mm, at[rows]))


def four_patch(finish_mm: float, of: Values) -> Block:
    return checks("four patch", finish_mm, 2, 2, "dark", "light")


def nine_patch(finish_mm: float, of: Values) -> Block:
    return checks("nine patch", finish_mm, 3, 3, "dark", "light")


def checkerboard(finish_mm: float, of: Values) -> Block:
    return checks("checkerboard", finish_mm, of.count("columns"), of.count("rows"), "dark", "light")


def log_cabin(finish_mm: float, of: Values) -> Block:
    """A centre, and rounds of four logs each: right, top, left, bottom, each as long as all that was before it."""
    rounds = of.count("rounds")
    log_mm, centre_mm = _log_and_centre(finish_mm, of, rounds)
    middle, patches = finish_mm / 2.0, list[Piece]()

    def reach(k: int) -> float:  # from the middle to the outside of round k
        return middle if k == rounds else centre_mm / 2.0 + k * log_mm

    patches.append(_box_about(middle, "centre", -reach(0), -reach(0), reach(0), reach(0)))
    for k in range(1, rounds + 1):
        inner, outer = reach(k - 1), reach(k)
        patches.append(_box_about(middle, "light", inner, -inner, outer, inner))
        patches.append(_box_about(middle, "light", -inner, inner, outer, outer))
        patches.append(_box_about(middle, "dark", -outer, -inner, -inner, outer))
        patches.append(_box_about(middle, "dark", -outer, -outer, outer, -inner))
    outline: Floats = square(finish_mm)
    return block("log cabin", one_by_one(patches), outline)


def _box_about(middle: float, fabric: str, x0: float, y0: float, x1: float, y1: float) -> Patch:
    return box(fabric, middle + x0, middle + y0, middle + x1, middle + y1)


def _log_and_centre(finish_mm: float, of: Values, rounds: int) -> tuple[float, float]:
    """Width of a log and of the centre: 2 rounds x log + centre = finished size."""
    log_mm, centre_mm = of.length_or_none("log"), of.length_or_none("centre")
    if log_mm is None and centre_mm is None:
        log_mm = finish_mm / (2 * rounds + 1)
    if log_mm is None and centre_mm is not None:
        log_mm = (finish_mm - centre_mm) / (2 * rounds)
    assert log_mm is not None
    left_mm = finish_mm - 2 * rounds * log_mm
    least_mm = LEAST_CENTRE * finish_mm
    if left_mm < least_mm * (1.0 - 1e-9):
        most = at_most((finish_mm - least_mm) / (2 * rounds))
        raise of.wrong("log", f"leaves no centre with {rounds} rounds and must be at most {most}")
    if centre_mm is not None and not math.isclose(centre_mm, left_mm, abs_tol=1e-6):
        raise of.wrong("centre", f'must be {at_least(left_mm)} with that log; or write log = "even"')
    return log_mm, left_mm


RECIPES = (
    Recipe(
        "rail",
        "strips side by side",
        (
            Parameter("strips", "count", "3", "how many strips", 1, 60),
            Parameter("fabrics", "count", "3", "how many fabrics take turns", 1, 60),
        ),
        rail,
    ),
    Recipe("four patch", "two by two squares in two fabrics", (), four_patch),
    Recipe("nine patch", "three by three squares in two fabrics", (), nine_patch),
    Recipe(
        "checkerboard",
        "squares in rows, two fabrics by turns",
        (
            Parameter("columns", "count", "4", "squares across", 1, 25),
            Parameter("rows", "count", "4", "squares up", 1, 25),
        ),
        checkerboard,
        "width of all columns",
    ),
    Recipe(
        "log cabin",
        "logs round about a centre, two light and two dark in each round",
        (
            Parameter("rounds", "count", "3", "how many rounds of four logs", 1, 30),
            Parameter("log", "length", "even", "finished width of a log", 1e-3, 0.5, ("even",)),
            Parameter(
                "centre", "length", "what is left", "side of the square centre", LEAST_CENTRE, 0.98, ("what is left",)
            ),
        ),
        log_cabin,
    ),
)
