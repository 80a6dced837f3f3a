"""What common library calls give for the same frames: difference, Otsu's threshold, contour, a line a side."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.polygons import interior_angles, line_meeting, side_distances, signed_area

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEAST_AREA_PX = 400.0
CLOTH_MM = 0.4
PARALLEL_DEG = 5.0


def outlines_mat_mm(frame: Picture, empty: Picture, camera: Pinhole) -> list[Floats]:
    """Corners (N, 2), counter-clockwise, of what differs from the empty mat in the encoded picture."""
    difference = cv2.absdiff(frame, empty).max(axis=2)
    _, mask = cv2.threshold(difference, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    rims, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = [_corners_px(np.asarray(rim, np.int32)) for rim in rims if cv2.contourArea(rim) > LEAST_AREA_PX]
    outlines = [camera.mat_from_px(corners, CLOTH_MM) for corners in found if corners is not None]
    return [outline[::-1] if signed_area(outline) < 0 else outline for outline in outlines]


def widths_mm(corners: Floats) -> dict[tuple[int, int], float]:
    """The width of each pair of sides within 5 degrees of parallel."""
    n, turns = len(corners), np.degrees(np.pi - interior_angles(corners))
    headings = np.concatenate([[0.0], np.cumsum(turns)])[:n]
    between = {(i, j): (headings[i] - headings[j]) % 180.0 for i in range(n) for j in range(i + 1, n)}
    near = [pair for pair, off in between.items() if min(off, 180.0 - off) < PARALLEL_DEG]
    return {pair: side_distances(corners, *pair)[0] for pair in near}


def _corners_px(rim: NDArray[np.int32]) -> Floats | None:
    """Corners by approxPolyDP, sides by fitLine through the rim's pixels between them."""
    rough = cv2.approxPolyDP(rim, 0.02 * cv2.arcLength(rim, True), True)[:, 0]
    if len(rough) < 3:
        return None
    points = rim[:, 0].astype(np.float64)
    lines = [_line(points, rough[i], rough[(i + 1) % len(rough)]) for i in range(len(rough))]
    corners = [line_meeting(*lines[i - 1], *lines[i]) for i in range(len(lines))]
    return None if any(c is None for c in corners) else np.array(corners)


def _line(points: Floats, start: NDArray[np.int32], end: NDArray[np.int32]) -> tuple[Floats, Floats]:
    first, last = (int(np.argmin(np.hypot(*(points - c).T))) for c in (start, end))
    side = points[first : last + 1] if first <= last else np.concatenate([points[first:], points[: last + 1]])
    trim = len(side) // 10
    side = side[trim : len(side) - trim] if len(side) > 20 else side
    vx, vy, x, y = (float(v) for v in cv2.fitLine(side.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel())
    return np.array([x, y]), np.array([x + vx, y + vy])
