"""Run charts as they stand in the light: the latest units of a pile in the order judged, a row a dimension.

Solid lines are the tolerance, dashes the control limits; a dot lies within the tolerance, a triangle beyond it. What a
run rule calls is said in words above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from projector.guide.scene.cautions import TEXT_MM
from projector.guide.scene.marks import THIN_MM, path
from projector.guide.scene.page import Page
from projector.guide.scene.room import CLEARANCE_MM, Row, block_size, wrapped
from projector.guide.scene.scenes import Fill, Ink, Mark, Point, Stroke

Floats = NDArray[np.float64]

MOST = 24  # units that are shown, the latest
WIDE_MM, DEEP_MM = 160.0, 36.0  # of the curve, without its words
DOT_MM, BEYOND_MM = 1.6, 2.6  # from a mark's middle to its rim
SPAN = 1.5  # of the tolerance, up and down; what lies farther out stands at the rim
DASH_MM = 4.0


@dataclass(frozen=True, slots=True)
class Chart:
    """A dimension of a pile, mm or degrees from what is planned; what was taken back is not in it."""

    name: str
    limit: float
    offs: tuple[float, ...]  # of every unit, the latest last
    control: tuple[float, float] | None = None  # lower and upper control limit; None of too few
    call: str = ""  # what a run rule has called of late: "shift upward"

    @property
    def rows(self) -> list[Row]:
        """Its words, broken where they are wider than the curve."""
        return wrapped([Row(text, TEXT_MM) for text in (self.name, self.call) if text], WIDE_MM)


def charted(page: Page, charts: Sequence[Chart], near_mat_mm: Point) -> Page:
    """The page with as many of the charts as there is room for, the first the most important."""
    for chart in charts:
        wide, deep = block_size(chart.rows)
        size = max(wide, WIDE_MM), deep + DEEP_MM + CLEARANCE_MM
        middle = page.room.free_place(*size, near_mat_mm)
        if middle is None:
            continue
        upward = _turned((0.0, 1.0), page.sitting.turn_rad)
        words = np.array(middle) + upward * (size[1] - deep) / 2.0
        written = page.room.write_at(chart.rows, (float(words[0]), float(words[1])))
        curve = np.array(middle) - upward * (size[1] - DEEP_MM) / 2.0
        marks = curve_marks(chart, curve, page.sitting.turn_rad)
        page = page.drawn(*written.words, *marks, keeps_free=_box(middle, size, page.sitting.turn_rad))
    return page


def curve_marks(chart: Chart, middle_mat_mm: Floats, turn_rad: float) -> tuple[Mark, ...]:
    """Tolerance, control limits and the latest units, around the curve's middle, upright for the person."""
    offs = np.array(chart.offs[-MOST:])
    across = WIDE_MM * ((np.arange(len(offs)) + 0.5) / MOST - 0.5)
    up = _up_mm(offs, chart.limit)

    def line(up_mm: float, dash_mm: float | None = None) -> Stroke:
        ends = np.array([[-WIDE_MM / 2.0, up_mm], [WIDE_MM / 2.0, up_mm]])
        return Stroke(path(*_placed(ends, middle_mat_mm, turn_rad)), THIN_MM, Ink.WORDS, dash_mm)

    marks: list[Mark] = [line(float(one)) for one in _up_mm(np.array([-chart.limit, chart.limit]), chart.limit)]
    if chart.control is not None:
        marks += [line(float(one), DASH_MM) for one in _up_mm(np.array(chart.control), chart.limit)]
    for x, y, off in zip(across, up, offs, strict=True):
        form = _beyond(np.sign(off)) if abs(off) > chart.limit else DOT_MM * _round()
        marks.append(Fill(path(*_placed(form + np.array([x, y]), middle_mat_mm, turn_rad)), Ink.WORDS))
    return tuple(marks)


def _up_mm(offs: Floats, limit: float) -> Floats:
    """How high over the curve's middle; what is farther out than the span is drawn at its rim."""
    return np.asarray(np.clip(offs / (SPAN * limit), -1.0, 1.0) * (DEEP_MM / 2.0 - BEYOND_MM))


def _beyond(side: float) -> Floats:
    """A triangle that points outward."""
    return np.array([[-0.9, -0.5], [0.9, -0.5], [0.0, 1.0]]) * [1.0, side] * BEYOND_MM


def _round() -> Floats:
    angles = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def _turned(points: Floats | tuple[float, float], turn_rad: float) -> Floats:
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return np.asarray(np.asarray(points) @ np.array([[cos, sin], [-sin, cos]]))


def _placed(own_mm: Floats, middle_mat_mm: Floats, turn_rad: float) -> Floats:
    """From right and away as the person sees it to the mat."""
    return _turned(own_mm, turn_rad) + middle_mat_mm


def _box(middle_mat_mm: Point, size_mm: tuple[float, float], turn_rad: float) -> Polygon:
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * size_mm
    return Polygon(_placed(corners, np.array(middle_mat_mm), turn_rad))
