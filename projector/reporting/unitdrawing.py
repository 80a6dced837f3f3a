"""One unit as it was measured, drawn over what it should be; what differs is drawn larger, and by how much is said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.piecing.lengths import inches_text, mm_text
from projector.piles.dimensions import outline_of, seams_of
from projector.reporting.contents import Measured
from projector.reporting.svg import BLUE, GREY, INK, SKY, VERMILLION, Element, path, picture, words
from vision.comparing.expected import ExpectedShape
from vision.comparing.rigidfit import best_fit
from vision.comparing.wording import off_by
from vision.polygons import side_lengths
from vision.seams.place import placed_seams
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]

WIDE, TALL, MARGIN = 230.0, 200.0, 34.0
BESIDE = 62.0  # room for "under 1/64" beside a side
PLAN_WIDE = 420.0
SHOWN = 0.07  # of the unit's size, that the worst deviation takes on paper
LEANING = 0.3  # of a side's outward direction: from here on its figure stands beside it
TIMES = (1, 2, 5, 10, 20, 50)
PLANNED: dict[str, Any] = {"stroke": GREY, "stroke_width": 1.4, "stroke_dasharray": "4 3"}


def unit_drawing(unit: Measured, shape: ExpectedShape | None, metric: bool) -> str | None:
    """SVG; None where the records hold no outline."""
    outline = outline_of(unit.event)
    if outline is None:
        return None
    laid = None if shape is None else _laid(outline, shape)
    if laid is None or shape is None:
        return picture(WIDE, TALL, f"Entry {unit.n}, as it lay; it has no planned shape.", _alone(outline))
    turn, planned, wanted = laid
    times = _times(outline, planned)
    drawn = planned + times * (outline - planned)
    placed = placed_seams(tuple(seams_of(unit.event)), wanted)
    seams = [wanted[one.index] + times * (one.found.ends_mat_mm - wanted[one.index]) for one in placed]
    show = _Paper(np.concatenate([planned, drawn]) @ turn, side_room=BESIDE)
    parts = [
        path(show(planned @ turn), True, **PLANNED),
        *(path(show(seam @ turn), **PLANNED) for seam in wanted),
        path(show(drawn @ turn), True, stroke=BLUE, stroke_width=2, fill=SKY, fill_opacity=0.18),
        *(path(show(seam @ turn), stroke=BLUE, stroke_width=1.4) for seam in seams),
        *_amounts(unit, show(drawn @ turn), metric),
        words(WIDE / 2, TALL - 4, _scale_words(times), "middle", 10, GREY),
    ]
    return picture(WIDE, TALL, _says(unit, times), parts)


def plan_drawing(shape: ExpectedShape, metric: bool) -> str:
    """SVG of what a unit should be: its corners numbered, its sides with name and length, its seams."""
    corners = np.asarray(shape.corners_mm, float)
    show = _Paper(corners, PLAN_WIDE, side_room=104.0)
    places = show(corners)
    parts = [
        path(places, True, stroke=INK, stroke_width=1.6, fill=SKY, fill_opacity=0.12),
        *(path(show(np.asarray(seam)), **PLANNED) for seam in shape.seams_mm),
    ]
    for i, length in enumerate(side_lengths(corners).tolist()):
        size = mm_text(length, 1) if metric else inches_text(length)
        parts.append(_beside(places, i, f"{shape.side_name(i)}, {size}"))
    for i, place in enumerate(places):
        ways = np.array([places[i - 1], places[(i + 1) % len(places)]]) - place
        inward = np.sum(ways / np.hypot(*ways.T)[:, None], axis=0)
        x, y = np.array(place) + 13.0 * inward / max(float(np.hypot(*inward)), 1e-6)
        parts.append(words(float(x), float(y) + 3.5, f"{i}", "middle", 10, BLUE))
    for i, seam in enumerate(shape.seams_mm):
        (x0, y0), (x1, y1) = show(np.asarray(seam))
        parts.append(words((x0 + x1) / 2.0, (y0 + y1) / 2.0 - 3.0, f"seam {i}", "middle", 9, GREY))
    return picture(PLAN_WIDE, TALL, f"{shape.name} as planned, its corners numbered.", parts, "planned")


def _beside(corners: list[tuple[float, float]], side: int, text: str) -> Element:
    """Words outside a side, at its middle. Corners run counter-clockwise to the eye, and y points down."""
    start, end = np.array(corners[side]), np.array(corners[(side + 1) % len(corners)])
    across = np.array([start[1] - end[1], end[0] - start[0]]) / max(float(np.hypot(*(end - start))), 1e-6)
    x, y = (start + end) / 2.0 + across * [6.0, 11.0]
    anchor = "middle" if abs(across[0]) < LEANING else "start" if across[0] > 0.0 else "end"
    return words(float(x), float(y) + 3.5, text, anchor, 10)


def _scale_words(times: int) -> str:
    return "to scale" if times == 1 else f"to scale, what differs drawn {times} times as large"


def _says(unit: Measured, times: int) -> str:
    verdict = unit.verdict.replace("_", " ") or "not judged"
    why = f" ({unit.why})" if unit.why else ""
    return (
        f"Outline of entry {unit.n}, {unit.name}, {verdict}{why}: measured, with what differs drawn {times} times as "
        "large, over the planned outline, dashed."
    )


def _laid(outline: Floats, shape: ExpectedShape) -> tuple[Floats, Floats, Floats] | None:
    """The turn (2, 2) by which points of the mat lie as the shape is written; its corners and seams on the outline."""
    nothing = np.zeros(len(outline))
    fit = best_fit(MeasuredUnit(outline, nothing, nothing, nothing, nothing, ()), shape)
    if fit is None:
        return None
    planned = np.roll(fit.corners_mat_mm, -fit.roll, axis=0)  # in the outline's own order
    own, there = (points[:, 0] + 1j * points[:, 1] for points in (fit.shape.corners_mm, fit.corners_mat_mm))
    angle = math.atan2((turned := np.vdot(own - own.mean(), there - there.mean())).imag, turned.real)
    return (
        np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]),
        planned,
        fit.seams_mat_mm,
    )


def _times(outline: Floats, planned: Floats) -> int:
    size = float(np.max(np.ptp(planned, axis=0)))
    worst = float(np.max(np.hypot(*(outline - planned).T)))
    wanted = SHOWN * size / max(worst, 1e-6)
    return max((times for times in TIMES if times <= wanted), default=1)


class _Paper:
    """Places points so that all of some others fit; y is up on the mat and down on paper."""

    def __init__(self, points: Floats, wide: float = WIDE, side_room: float = MARGIN) -> None:
        self._low = points.min(axis=0)
        size = np.maximum(np.ptp(points, axis=0), 1e-6)
        room = np.array([wide - 2 * side_room, TALL - 2 * MARGIN])
        self._scale = float(np.min(room / size))
        self._shift = (np.array([wide, TALL - 8]) - self._scale * size) / 2.0
        self._height = float(size[1])

    def __call__(self, points: Floats) -> list[tuple[float, float]]:
        off = points - self._low
        x, y = off[:, 0], self._height - off[:, 1]
        return [(float(a), float(b)) for a, b in self._shift + self._scale * np.column_stack([x, y])]


def _amounts(unit: Measured, corners: list[tuple[float, float]], metric: bool) -> Iterator[Element]:
    """At each side how far its middle lies out or in, and the side's number."""
    offsets = unit.event.get("offsets_mm")
    if not isinstance(offsets, list) or len(offsets) != len(corners):
        return
    for i, off in enumerate(offsets):
        if isinstance(off, int | float):
            yield _beside(corners, i, _amount(off, metric))


def _amount(off: float, metric: bool) -> str:
    text = off_by(off, "mm" if metric else "in").removesuffix(" in")
    return text if text.startswith("under") else f"{'+' if off > 0 else '−'}{text}"


def _alone(outline: Floats) -> Iterator[Element]:
    yield path(_Paper(outline)(outline), True, stroke=VERMILLION, stroke_width=2)
    yield words(WIDE / 2, TALL - 4, "as it lay, to scale", "middle", 10, INK)
