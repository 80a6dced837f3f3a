"""The picture of a plan: the block, the cloth, the strips with their cuts, every unit with its sizes, the sewing."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from projector.piecing.making import Made
from projector.piecing.patchwork.patches import Block
from projector.piecing.plans import Plan
from projector.planpictures.blockpicture import draw_block
from projector.planpictures.clothpictures import draw_piece, draw_strip, draw_swatch, draw_unit, strip_tall
from projector.planpictures.fractions import length_words
from projector.planpictures.swatches import Swatch, swatches

PICTURES = (".svg", ".pdf", ".png")
WIDE_IN = 8.5
MARGIN_IN = 0.5
COLUMNS = 3  # of units side by side
TITLE_IN, BLOCK_IN, UNIT_IN, LINE_IN = 0.9, 3.4, 2.3, 0.19  # how tall each stands on the page
HEAD_IN = 0.35  # of the line of words above a strip or unit
MOST_UNITS, MOST_LINES = 60, 80


def write_pictures(path: Path, block: Block, made: Made) -> None:
    """Write one picture; the file's ending says which kind (`PICTURES`)."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    with matplotlib.rc_context({"hatch.linewidth": 0.6, "svg.fonttype": "path", "font.family": "DejaVu Sans"}):
        page = _page(plt, block, made)
        page.savefig(path, dpi=150)
        plt.close(page)


def _page(plt: Any, block: Block, made: Made) -> Any:
    plan = made.plan
    looks = swatches([f for strip in plan.strips for f in strip.fabrics] + [p.fabric for p in block.patches])
    metric, units, lines = plan.metric, plan.units[:MOST_UNITS], _sewing(plan)
    strips = [strip_tall(strip) * (WIDE_IN - 2 * MARGIN_IN) + HEAD_IN for strip in plan.strips]
    rows = [UNIT_IN] * -(-len(units) // COLUMNS)
    tall = [TITLE_IN, BLOCK_IN, *strips, *rows, 0.5 + LINE_IN * len(lines)]
    page = plt.figure(figsize=(WIDE_IN, sum(tall) + 2 * MARGIN_IN), facecolor="white")
    places = _Places(page, tall)
    _title(places.row(), plan, metric)
    left, right = places.columns(2)
    draw_block(left, block, looks)
    _cloth(right, plan, looks, metric)
    for strip in plan.strips:
        draw_strip(places.row(), plan, strip, looks, metric)
    for first in range(0, len(units), COLUMNS):
        for axes, unit in zip(places.columns(COLUMNS), units[first : first + COLUMNS], strict=False):
            draw_unit(axes, plan, unit, looks, metric)
            if unit.name in made.kinds and not (unit.cut or unit.lay):
                draw_piece(axes, block, made.kinds[unit.name].stage, looks)
    _words(places.row(), lines)
    return page


class _Places:
    """Rows of a page from the top down, each handed out as axes."""

    def __init__(self, page: Any, tall_in: list[float]) -> None:
        self._page, self._tall = page, iter(tall_in)
        self._height = page.get_figheight()
        self._top = self._height - MARGIN_IN

    def row(self) -> Any:
        return self.columns(1)[0]

    def columns(self, count: int) -> list[Any]:
        tall = next(self._tall)
        self._top -= tall
        wide = (WIDE_IN - 2 * MARGIN_IN) / count
        size = 0.96 * wide / WIDE_IN, (tall - 0.3) / self._height
        places = [((MARGIN_IN + k * wide) / WIDE_IN, self._top / self._height) for k in range(count)]
        found = [self._page.add_axes((*place, *size)) for place in places]
        for axes in found:
            axes.axis("off")
        return found


def _title(axes: Any, plan: Plan, metric: bool) -> None:
    axes.text(0, 0.75, plan.name, fontsize=20, weight="bold", transform=axes.transAxes)
    if plan.making:
        many = f"{plan.making.make} block{'' if plan.making.make == 1 else 's'}"
        finish, seam = length_words(plan.making.finish_mm, metric), length_words(plan.seam_allowance_mm, metric)
        axes.text(0, 0.1, f"{many}, {finish} finished; seam allowance {seam}", fontsize=12, transform=axes.transAxes)


def _cloth(axes: Any, plan: Plan, looks: Mapping[str, Swatch], metric: bool) -> None:
    axes.set_xlim(0, 10)
    axes.set_ylim(0, 10)
    axes.text(0, 9.4, "Cloth", fontsize=13, weight="bold")
    step = min(1.4, 9.0 / max(1, len(plan.fabrics)))
    for k, fabric in enumerate(plan.fabrics):
        y = 9.0 - (k + 1) * step
        draw_swatch(axes, (0.0, y), (1.6, 0.75 * step), looks.get(fabric.name, Swatch("white", "")))
        yards = length_words(fabric.buy_mm / 36.0).removesuffix(" in")
        words = f"{fabric.name}: buy {yards} yd ({length_words(fabric.need_mm, metric)} needed)"
        axes.text(2.0, y + 0.2 * step, words, fontsize=10)


def _sewing(plan: Plan) -> list[str]:
    """The steps of sewing, a line each; longer ones go on below."""
    lines: list[str] = []
    for number, step in enumerate(plan.steps, 1):
        press = "press open" if step.press == "open" else f"press toward {step.press}"
        match = f"; match {step.match} seam{'' if step.match == 1 else 's'}" if step.match else ""
        set_in = f"; set in at {step.set_in} place{'' if step.set_in == 1 else 's'}" if step.set_in else ""
        text = f"{number}.  {step.sew[0]}  +  {step.sew[1]}  =  {step.makes} ({step.count}); {press}{match}{set_in}"
        lines += textwrap.wrap(text, 100, subsequent_indent="       ")
    if len(lines) > MOST_LINES:
        lines = [*lines[:MOST_LINES], "and more, in the plan file"]
    return lines


def _words(axes: Any, lines: list[str]) -> None:
    if not lines:
        return
    tall = LINE_IN * len(lines) + 0.25
    axes.text(0, 1.0, "Sewing", fontsize=13, weight="bold", va="top", transform=axes.transAxes)
    for k, line in enumerate(lines):
        down = (0.25 + LINE_IN * (k + 0.5)) / tall
        axes.text(0, 1.0 - down, line, fontsize=8.5, va="center", transform=axes.transAxes)
