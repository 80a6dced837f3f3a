"""Strips with their cuts, units with their sizes: what lies on the mat, drawn."""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.piecing.cutting.lines import parallel_cuts
from projector.piecing.cutting.rows import laid_row
from projector.piecing.cutting.yardage import roomy_mm
from projector.piecing.patchwork.patches import Block, area_mm2
from projector.piecing.patchwork.stages import Stage
from projector.piecing.plans import Plan, Strip, Unit, expected_shape, units_from_strip
from projector.piecing.shapes import Shape
from projector.planpictures.fractions import length_words
from projector.planpictures.swatches import EDGE, Swatch

Floats = NDArray[np.float64]

CUT = "#b3261e"
MOST_SIZED = 8  # corners: with more, sizes would cover the unit
LEAST_SIZED = 0.12  # of the unit, for a side to have its length written beside it


def draw_swatch(axes: Any, corner: tuple[float, float], size: tuple[float, float], swatch: Swatch) -> None:
    """A sample of a fabric."""
    (x, y), (wide, tall) = corner, size
    fill(axes, np.array([[x, y], [x + wide, y], [x + wide, y + tall], [x, y + tall]]), swatch)


def draw_strip(axes: Any, plan: Plan, strip: Strip, looks: Mapping[str, Swatch], metric: bool) -> None:
    """A strip or strip set lying across, with the cuts of the unit that comes from it."""
    unit = next((one for one in plan.units if _source(one) == strip.name), None)
    edges = [0.0, *strip.seams_mm, strip.width_mm]
    starts = np.concatenate([[0.0], np.cumsum(strip.stagger_mm)]) if strip.stagger_mm else np.zeros(len(edges) - 1)
    for k, fabric in enumerate(strip.fabrics):
        left, right = starts[k], starts[k] + strip.length_mm
        corners = [(left, edges[k]), (right, edges[k]), (right, edges[k + 1]), (left, edges[k + 1])]
        fill(axes, np.array(corners), looks[fabric])
    if unit is not None and unit.cut:
        for line in parallel_cuts(strip, unit.cut):
            axes.plot(*line.ends_mm.T, color=CUT, linewidth=1.2, linestyle="-" if line.frees else ":")
    elif unit is not None and unit.lay:
        for one in laid_row(strip, unit.lay, expected_shape(plan, unit).corners_mm):
            axes.plot(*np.vstack([one, one[:1]]).T, color=CUT, linewidth=1.2)
    low, high = float(starts.min()), float(starts.max()) + strip.length_mm
    axes.set_xlim(low - 5.0, high + 5.0)
    axes.set_ylim(-3.0, strip.width_mm + 3.0)
    axes.set_aspect("equal", anchor="SW")
    axes.set_title(_strip_words(plan, strip, unit, metric), fontsize=8, loc="left", pad=3)


def strip_tall(strip: Strip) -> float:
    """How tall a drawn strip is, as a share of its width on the page."""
    return (strip.width_mm + 6.0) / (strip.length_mm + abs(sum(strip.stagger_mm)) + 10.0)


def draw_piece(axes: Any, block: Block, stage: Stage, looks: Mapping[str, Swatch]) -> None:
    """The fabrics of a sewn unit, as far as they will show."""
    low = stage.raw_mm.min(axis=0)
    for number in stage.patches:
        patch = block.patches[number]
        fill(axes, patch.corners_mm - low, looks[patch.fabric])


def draw_unit(axes: Any, plan: Plan, unit: Unit, looks: Mapping[str, Swatch], metric: bool) -> None:
    """A unit's raw outline with its sizes, its seams and the dots where seams must meet."""
    shape = expected_shape(plan, unit)
    corners = shape.corners_mm
    source = _source(unit)
    fabrics = plan.strip(source).fabrics if source else ()
    if len(fabrics) > 1:
        for band, fabric in zip(_bands(shape), fabrics, strict=True):
            fill(axes, band, looks[fabric])
    else:
        fill(axes, corners, looks[fabrics[0]] if fabrics else Swatch("white", ""))
    for seam in shape.seams_mm:
        axes.plot(*seam.T, color=EDGE, linewidth=0.9, linestyle=(0, (4, 2)))
    if unit.dots_mm:
        axes.scatter(*np.array(unit.dots_mm).T, s=14, color=CUT, zorder=3)
    if len(corners) <= MOST_SIZED:
        _sizes(axes, corners, metric)
    low, high = corners.min(axis=0), corners.max(axis=0)
    size = float((high - low).max())
    axes.set_xlim(low[0] - 0.42 * size, high[0] + 0.42 * size)
    axes.set_ylim(low[1] - 0.15 * size, high[1] + 0.15 * size)
    axes.set_aspect("equal")
    make = next((step.count for step in plan.steps if step.makes == unit.name), 1)
    make = unit.cut.make if unit.cut else unit.lay.make if unit.lay else make
    axes.set_title(f"{textwrap.shorten(unit.name, 34, placeholder='…')}: {make}", fontsize=9, pad=3)


def fill(axes: Any, corners: Floats, swatch: Swatch) -> None:
    """A piece of cloth (N, 2) in its fabric."""
    from matplotlib.patches import Polygon

    axes.add_patch(Polygon(corners, closed=True, **swatch.look()))


def _source(unit: Unit) -> str | None:
    source = unit.cut or unit.lay
    return source.strip if source else None


def _strip_words(plan: Plan, strip: Strip, unit: Unit | None, metric: bool) -> str:
    bands = strip.bands_mm or (strip.width_mm,)
    alike = max(bands) - min(bands) < 1e-6
    wide = length_words(bands[0], metric) if alike else " + ".join(length_words(one, metric) for one in bands)
    kind = f"strip set{'' if strip.count == 1 else 's'} of {len(bands)} strips" if strip.seams_mm else "strip"
    many = "" if strip.seams_mm or strip.count == 1 else "s"
    words = f"{strip.name}: {strip.count} {kind}{many}, {wide} wide"
    if unit is not None and unit.lay and unit.lay.way == "turned" and not metric:
        words += f" (by hand {length_words(roomy_mm(strip.width_mm))}, then trim)"
    if strip.stagger_mm:
        side = "right" if strip.stagger_mm[0] > 0 else "left"
        words += f", each {length_words(abs(strip.stagger_mm[0]), metric)} {side} of the one below"
    if unit is not None and unit.cut:
        angle = f"{round(math.degrees(unit.cut.angle_rad), 3):g}°"
        count, make = units_from_strip(strip, unit.cut), unit.cut.make
        words += f"; {count} from each, {length_words(unit.cut.width_mm, metric)} at {angle}"
    elif unit is not None and unit.lay:
        count, make = unit.lay.per_strip, unit.lay.make
        words += f"; {count} from each, {'every second one turned' if unit.lay.way == 'turned' else 'nested'}"
    else:
        return words
    spare = count * strip.count - make
    words = f"{words}; {make} in all{f', {spare} to spare' if spare else ''}"
    if unit.lay:
        words += (
            f"; {100.0 * _waste(strip, make, expected_shape(plan, unit).corners_mm):.0f} % of the cloth is left over"
        )
    return words


def _waste(strip: Strip, make: int, corners: Floats) -> float:
    """The share of strips' cloth that is in none of the patches (N, 2)."""
    return 1.0 - make * area_mm2(corners) / (strip.count * strip.width_mm * strip.length_mm)


def _bands(shape: Shape) -> list[Floats]:
    """The strips' parts of a segment, from the lower edge up; its seams rise in the same order."""
    a, b, c, d = shape.corners_mm
    lines = [np.array([a, b]), *(np.array(seam) for seam in shape.seams_mm), np.array([d, c])]
    return [np.vstack([low, high[::-1]]) for low, high in itertools.pairwise(lines)]


def _sizes(axes: Any, corners: Floats, metric: bool) -> None:
    """Each side's length beside it, upright."""
    size = float(np.ptp(corners, axis=0).max())
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = math.dist(a, b)
        if length < LEAST_SIZED * size:
            continue
        out = np.array([b[1] - a[1], a[0] - b[0]]) / length
        horizontal = "left" if out[0] > 0.3 else "right" if out[0] < -0.3 else "center"
        vertical = "bottom" if out[1] > 0.3 else "top" if out[1] < -0.3 else "center"
        place = (a + b) / 2.0 + out * 0.04 * size
        axes.text(*place, length_words(length, metric), fontsize=8, ha=horizontal, va=vertical)
