"""Two ways of measuring from common library calls alone, to hold ours against. Both look at one colour frame.

`otsu_outlines`: Otsu's threshold of the grey picture, contour, a robust line a side. `half_level_outlines`: the same
start; then the frame in linear light, and the contour where its luminance is half way between the unit's own median
and the mat's, with a robust line a side.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.polygons import line_meeting

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Picture = NDArray[np.uint8]

LEAST_AREA_PX = 400.0
LINEAR = np.where(
    np.arange(256) <= 10, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)
LUMA = np.array([[0.0722, 0.7152, 0.2126]], np.float32)
NEAR_PX = 2.5  # of a rough side, for points of the half-way contour


def rims_of(pixels: Picture) -> tuple[Picture, list[NDArray[np.int32]]]:
    """Otsu's mask, the rarer part being cloth, grid lines opened away; and the contours of its parts."""
    plain = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    _, mask = cv2.threshold(plain, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    if cv2.countNonZero(mask) > mask.size / 2:
        mask = cv2.bitwise_not(mask)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)), np.uint8)
    rims, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return mask, [np.asarray(rim, np.int32) for rim in rims if cv2.contourArea(rim) > LEAST_AREA_PX]


def otsu_outlines(pixels: Picture) -> list[Floats]:
    """Corners (N, 2) in pixels, counter-clockwise on the mat."""
    return [
        corners for rim in rims_of(pixels)[1] if (corners := _fitted(rim[:, 0].astype(float), _rough(rim))) is not None
    ]


def half_level_outlines(pixels: Picture, linear: Floats32 | None = None) -> list[Floats]:
    """Corners (N, 2) in pixels, counter-clockwise on the mat; `linear`: the frame's light."""
    mask, rims = rims_of(pixels)
    light = np.asarray(cv2.transform(LINEAR[pixels] if linear is None else linear, LUMA), np.float32)
    bare = float(np.median(light[::4, ::4][mask[::4, ::4] == 0]))
    found = []
    for rim in rims:
        x, y, w, h = cv2.boundingRect(rim)
        box = slice(max(y - 5, 0), y + h + 5), slice(max(x - 5, 0), x + w + 5)
        own = np.zeros(light.shape, np.uint8)[box]
        cv2.drawContours(own, [rim - [box[1].start, box[0].start]], -1, 1, -1)
        level = (float(np.median(light[box][cv2.erode(own, np.ones((5, 5), np.uint8)) > 0])) + bare) / 2.0
        points = _crossings(light[box] - np.float32(level)) + np.array([box[1].start, box[0].start])
        corners = _fitted(points, _rough(rim))
        if corners is not None:
            found.append(corners)
    return found


def _crossings(above: Floats32) -> Floats:
    """(N, 2): where a picture passes through zero between neighbours in its rows and columns (marching squares)."""
    places = []
    for axis in (0, 1):
        a, b = (above[:-1], above[1:]) if axis == 0 else (above[:, :-1], above[:, 1:])
        rows, columns = np.nonzero((a > 0) != (b > 0))
        share = a[rows, columns] / (a[rows, columns] - b[rows, columns])
        places.append(np.column_stack([columns + share * axis, rows + share * (1 - axis)]))
    return np.concatenate(places)


def _rough(rim: NDArray[np.int32]) -> Floats:
    """Corners of a contour's polygon, which OpenCV lists counter-clockwise on the mat, as y runs down in a picture."""
    corners = cv2.approxPolyDP(rim, 0.02 * cv2.arcLength(rim, True), True)[:, 0].astype(float)
    around = np.roll(corners, -1, axis=0)
    down = float(np.sum(corners[:, 0] * around[:, 1] - corners[:, 1] * around[:, 0]))
    return corners[::-1] if down > 0 else corners


def _fitted(points: Floats, rough: Floats) -> Floats | None:
    """The meeting places of robust lines through the points near each rough side, a tenth left out at its ends."""
    lines = []
    for a, b in zip(rough, np.roll(rough, -1, axis=0), strict=True):
        length = float(np.hypot(*(b - a)))
        along = (b - a) / max(length, 1e-9)
        t, d = (points - a) @ along, (points - a) @ np.array([-along[1], along[0]])
        near = points[(np.abs(d) < NEAR_PX) & (t > 0.1 * length) & (t < 0.9 * length)]
        if len(near) < 4:
            return None
        vx, vy, x, y = (float(v) for v in cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel())
        lines.append((np.array([x, y]), np.array([x + vx, y + vy])))
    if len(lines) < 3:
        return None
    corners = [line_meeting(*before, *line) for before, line in zip([lines[-1], *lines[:-1]], lines, strict=True)]
    return None if any(corner is None for corner in corners) else np.array(corners)
