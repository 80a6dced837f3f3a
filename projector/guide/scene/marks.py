"""Marks of a cut: the line, its ends, which side is kept, where the ruler lies; and signs that say a verdict by form.

The edge of the drawn line on the kept side is the cut. All of the line's own width lies on the other side, so that
a straight edge, or an eye, that follows the crisp edge is where the cloth is to be cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from projector.guide.scene.room import Room
from projector.guide.scene.scenes import Fill, Ink, Mark, Point, Stroke

Floats = NDArray[np.float64]
Side = Literal["left", "right"]

CUT_WIDTH_MM = 1.0
END_MM = 6.0  # how far the bar at each end of the line stands out, away from the kept side
KEEP_MM = 8.0  # size of the mark on the kept side
KEEP_GAP_MM = 2.0  # between it and the line
KEEP_SHARE = 0.85  # of the line's reach past the cloth: far enough out, though the cut may lean by 30 degrees
RULER_MM = (26.0, 14.0)  # of the outlined end of a ruler: across the cut, along it
RULER_GAPS_MM = (8.0, 14.0)  # between it and the line: beyond the mark on the kept side where that stands there
THIN_MM = 0.8
RULER_TOP_DASH_MM = 3.0


def cut_marks(shown_mat_mm: Floats, keep: Side) -> tuple[Stroke, ...]:
    """The cut line, and a bar at each end that stands out on the side that is not kept.

    `shown_mat_mm` (2, 2) is the cut, reaching past the cloth at both ends; `keep` is seen along it.
    """
    off = -_to_side(shown_mat_mm, keep)
    line = shown_mat_mm + off * CUT_WIDTH_MM / 2.0
    into = _along(shown_mat_mm) * np.array([[0.5], [-0.5]]) * CUT_WIDTH_MM
    bars = [Stroke(path(end, end + off * END_MM), CUT_WIDTH_MM, Ink.CUT) for end in shown_mat_mm + into]
    return (Stroke(path(*line), CUT_WIDTH_MM, Ink.CUT), *bars)


def keep_mark(cloth_mat_mm: Floats, shown_mat_mm: Floats, keep: Side, room: Room) -> Fill:
    """A triangle past the cloth that points to the side that is kept; at the far end if that is free.

    `cloth_mat_mm` (2, 2) is where the cut crosses the cloth's edges.
    """
    marks = [_triangle(cloth_mat_mm, shown_mat_mm, keep, end) for end in (1, 0)]
    return next((mark for mark in marks if room.is_free(Polygon(mark.corners_mat_mm))), marks[0])


def ruler_mark(shown_mat_mm: Floats, side: Side, room: Room) -> Stroke:
    """The end of a ruler in outline, on the side of the cut on which it lies; at the near end if that is free."""
    marks = [_ruler_end(shown_mat_mm, side, end, gap_mm) for end in (0, 1) for gap_mm in RULER_GAPS_MM]
    return next((mark for mark in marks if room.is_free(Polygon(mark.points_mat_mm))), marks[0])


def ruler_top(cloth_mat_mm: Floats, shown_mat_mm: Floats, side: Side, ruler_mm: float) -> tuple[Stroke, ...]:
    """Dashes past both ends of the cloth that lie along the edge of a ruler's upper side once it lies on the cut.

    They are aimed at the ruler's top, `ruler_mm` above the cloth, where the cut line itself falls elsewhere.
    """
    off = _to_side(shown_mat_mm, side) * THIN_MM / 2.0
    ends = zip(cloth_mat_mm + off, shown_mat_mm + off, strict=True)
    return tuple(Stroke(path(*pair), THIN_MM, Ink.RULER, RULER_TOP_DASH_MM, ruler_mm) for pair in ends)


def tick(left_mat_mm: Point, size_mm: float, ink: Ink, turn_rad: float = 0.0) -> Stroke:
    """Good, by form; from the middle of its left side, turned as the words are."""
    return _sign([(0.0, 0.0), (0.35, -0.5), (1.0, 0.5)], left_mat_mm, size_mm, ink, turn_rad)


def cross(left_mat_mm: Point, size_mm: float, ink: Ink, turn_rad: float = 0.0) -> Stroke:
    """Bad, by form."""
    arms = [(0.0, 0.5), (0.5, 0.0), (0.0, -0.5), (0.5, 0.0), (1.0, 0.5), (0.5, 0.0), (1.0, -0.5)]
    return _sign(arms, left_mat_mm, size_mm, ink, turn_rad)


def lozenge(left_mat_mm: Point, size_mm: float, ink: Ink, turn_rad: float = 0.0) -> Stroke:
    """In doubt, by form."""
    return _sign([(0.0, 0.0), (0.5, 0.5), (1.0, 0.0), (0.5, -0.5), (0.0, 0.0)], left_mat_mm, size_mm, ink, turn_rad)


def arrow(tail_mat_mm: Floats, tip_mat_mm: Floats, width_mm: float, ink: Ink) -> tuple[Mark, ...]:
    """A shaft with a solid head, from one point to another: which way to press, or to turn."""
    run = np.asarray(tip_mat_mm, float) - tail_mat_mm
    along = run / np.hypot(*run)
    side = np.array([-along[1], along[0]])
    neck = tip_mat_mm - 4.0 * width_mm * along
    head = [neck + 2.0 * width_mm * side, neck - 2.0 * width_mm * side, np.asarray(tip_mat_mm, float)]
    return Stroke(path(tail_mat_mm, neck), width_mm, ink), Fill(path(*head), ink)


def dot(middle_mat_mm: Floats, radius_mm: float, ink: Ink) -> Fill:
    """A round dot: where seams must match."""
    angles = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    return Fill(path(*(middle_mat_mm + radius_mm * np.column_stack([np.cos(angles), np.sin(angles)]))), ink)


def outline(corners_mat_mm: Floats, ink: Ink = Ink.OUTLINE, width_mm: float = THIN_MM) -> Stroke:
    """A closed thin line around something that was found."""
    return Stroke(path(*corners_mat_mm, corners_mat_mm[0]), width_mm, ink)


def path(*points_mat_mm: Floats | Sequence[float]) -> tuple[Point, ...]:
    """Points as a scene holds them."""
    return tuple((float(x), float(y)) for x, y in points_mat_mm)


def _along(shown_mat_mm: Floats) -> Floats:
    run = shown_mat_mm[1] - shown_mat_mm[0]
    return np.asarray(run / np.hypot(*run))


def _to_side(shown_mat_mm: Floats, side: Side) -> Floats:
    """Unit vector at right angles to a cut, to its left or right, seen along it."""
    x, y = _along(shown_mat_mm)
    return np.array([-y, x]) if side == "left" else np.array([y, -x])


def _triangle(cloth_mat_mm: Floats, shown_mat_mm: Floats, keep: Side, end: int) -> Fill:
    along, side = _along(shown_mat_mm), _to_side(shown_mat_mm, keep)
    foot = cloth_mat_mm[end] + KEEP_SHARE * (shown_mat_mm[end] - cloth_mat_mm[end]) + KEEP_GAP_MM * side
    return Fill(path(foot - along * KEEP_MM / 2.0, foot + along * KEEP_MM / 2.0, foot + side * KEEP_MM), Ink.KEEP)


def _ruler_end(shown_mat_mm: Floats, ruler: Side, end: int, gap_mm: float) -> Stroke:
    """Three sides of a ruler's end, beside the far part of the line's reach past the cloth."""
    wide, deep = RULER_MM
    outward = _along(shown_mat_mm) * (1.0 if end else -1.0)
    side = _to_side(shown_mat_mm, ruler)
    first = shown_mat_mm[end] + gap_mm * side - outward * deep
    last = first + outward * deep
    return Stroke(path(first, last, last + wide * side, first + wide * side), THIN_MM, Ink.RULER)


def _sign(
    path_shares: list[tuple[float, float]], left_mat_mm: Point, size_mm: float, ink: Ink, turn_rad: float
) -> Stroke:
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    own = np.array(path_shares) * size_mm
    points = own @ np.array([[cos, sin], [-sin, cos]]) + np.array(left_mat_mm)
    return Stroke(path(*points), size_mm / 6.0, ink)
