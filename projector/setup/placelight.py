"""Where the sheet should lie next, shown in light before anything is calibrated. Rough is enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.sheet.placing import Field, Place
from projector.guide.scene.scenes import Fill, Ink, Mark, Point, Scene, Stroke, Words

Floats = NDArray[np.float64]

AMBIENT = 0.1  # even light beside the lines, linear: the sheet and the hand must stay visible
OUTLINE_MM, COVERED_MM, LIFT_MM = 5.0, 1.5, 14.0
ARROW_MM = 32.0
WORDS_MM = 20.0


def place_scene(field: Field, place: Place | None, seen: Sequence[Floats], words: str) -> Scene:
    """The next place with an arrow at its top edge, what is covered, and a few words.

    Marks are in the first sheet's frame. The arrow stands beyond the edge, or within where the field ends there. The
    words stand at the near side of the field, upright for the person.
    """
    marks: list[Mark] = [Stroke(_closed(outline), COVERED_MM, Ink.GOOD) for outline in seen]
    if place is not None:
        marks += _marks_of(field, place)
    marks.append(Words(words, _words_at(field, place), WORDS_MM, Ink.WORDS))
    return Scene("place", tuple(marks), lamp=AMBIENT)


def _marks_of(field: Field, place: Place) -> list[Mark]:
    corners = place.corners_sheet_mm
    marks: list[Mark] = [Stroke(_closed(corners), OUTLINE_MM, Ink.CUT), Fill(_arrow(field, corners), Ink.CUT)]
    if place.lift is not None:
        marks.append(Stroke(_points(_edge(corners, place.lift.edge)), LIFT_MM, Ink.CAUTION))
    return marks


def _arrow(field: Field, corners: Floats) -> tuple[Point, ...]:
    """A triangle at the middle of the print's top edge, pointing away from the print; the first one in the field."""
    right, left = corners[2], corners[3]
    middle, along = (left + right) / 2, (right - left) / np.hypot(*(right - left))
    up = np.array([-along[1], along[0]])
    beyond = np.array([middle - ARROW_MM * along, middle + ARROW_MM * along, middle + ARROW_MM * up])
    far_back = float(np.hypot(*(corners[3] - corners[0])))
    for back_mm in (0.0, *np.arange(ARROW_MM + 2 * OUTLINE_MM, far_back, OUTLINE_MM)):
        arrow = beyond - back_mm * up
        if field.outline.covers(shapely.Polygon(arrow)):
            return _points(arrow)
    return _points(beyond)


def _edge(corners: Floats, edge: str) -> Floats:
    """The side of the outline that lies furthest left, right, near or far."""
    course = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "near": (0.0, -1.0), "far": (0.0, 1.0)}[edge]
    sides = np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)
    return np.asarray(sides[int(np.argmax(sides.mean(axis=1) @ np.array(course)))])


def _words_at(field: Field, place: Place | None) -> Point:
    """Near the near edge in the middle, or near the far one where the place takes that."""
    x0, y0, x1, y1 = field.outline.bounds
    middle = (x0 + x1) / 2
    near, far = (middle, y0 + 1.2 * WORDS_MM), (middle, y1 - 2.2 * WORDS_MM)
    if place is not None and place.corners_sheet_mm[:, 1].min() < near[1] + 2 * WORDS_MM:
        return far
    return near


def _closed(corners: Floats) -> tuple[Point, ...]:
    return _points(np.vstack([corners, corners[:1]]))


def _points(points: Floats) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in points)
