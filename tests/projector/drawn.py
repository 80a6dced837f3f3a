"""Units drawn by plane geometry, as if they had been measured: their outline is the truth, no picture was looked at."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from projector.piecing.shapes import parse_shape
from projector.telling.events import unit_event
from vision.comparing.compare import judge
from vision.comparing.expected import ExpectedShape
from vision.polygons import line_meeting, outward_normals, side_distances
from vision.units import MeasuredUnit, Seam, Width

U_MM = 0.05


def expected(text: str) -> ExpectedShape:
    """A shape as `--expect` writes it, with the usual tolerances."""
    shape = parse_shape(text)
    return ExpectedShape(text, shape.corners_mm, shape.seams_mm, shape.side_names)


def drawn_unit(
    shape: ExpectedShape,
    wider_mm: float = 0.0,
    seam_mm: float = 0.0,
    turn_rad: float = 0.3,
    at_mm: tuple[float, float] = (300.0, 200.0),
    off_mm: tuple[float, ...] = (),
    tilt_rad: tuple[float, ...] = (),
) -> MeasuredUnit:
    """A unit whose side 1 lies `wider_mm` outward, or each side its own `off_mm`, and its seams `seam_mm` along y.

    `tilt_rad` turns each side about its middle.
    """
    corners = np.asarray(shape.corners_mm, float)
    off = np.zeros(len(corners))
    off[1] = wider_mm
    off += np.array(off_mm) if off_mm else 0.0
    starts = corners + outward_normals(corners) * off[:, None]
    ends = np.roll(corners, -1, axis=0) + outward_normals(corners) * off[:, None]
    lever = outward_normals(corners) * (np.hypot(*(ends - starts).T) * np.tan(tilt_rad or 0.0) / 2.0)[:, None]
    starts, ends = starts + lever, ends - lever
    moved = np.array([line_meeting(starts[i - 1], ends[i - 1], starts[i], ends[i]) for i in range(len(corners))])
    turn = np.array([[math.cos(turn_rad), -math.sin(turn_rad)], [math.sin(turn_rad), math.cos(turn_rad)]])
    laid = moved @ turn.T + at_mm
    small, n = np.full(len(laid), U_MM), len(laid)
    widths = tuple(
        Width((i, j), *side_distances(laid, i, j), U_MM)
        for i in range(n)
        for j in range(i + 1, n)
        if abs(math.sin(_direction(laid, i) - _direction(laid, j))) < math.sin(math.radians(5.0))
    )
    seams = tuple(Seam((seam + np.array([0.0, seam_mm])) @ turn.T + at_mm, U_MM) for seam in shape.seams_mm)
    return MeasuredUnit(laid, small, small, small / 50.0, 0.0 * small, widths, seams)


def drawn_event(shape: ExpectedShape, **keys: Any) -> dict[str, Any]:
    """The event of a drawn unit, judged as the app does."""
    event: dict[str, Any] = json.loads(json.dumps(unit_event(judge(drawn_unit(shape, **keys), [shape]), None)))
    return event


def _direction(corners: np.ndarray, side: int) -> float:
    ahead = corners[(side + 1) % len(corners)] - corners[side]
    return math.atan2(ahead[1], ahead[0])
