"""How the virtual person finds the cut line: by the light that lies on the true cloth, and by nothing
else."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.light import LINEAR
from projector.rehearsal.optics import Optics
from projector.rehearsal.things.cloth import Piece

Floats = NDArray[np.float64]

RIM_PX = 3  # light nearer to the cloth's edge than this is taken for an outline, not for the cut
BRIGHT = 0.25  # of the brightest light in the picture
TRIES = 300
NEAR_MM, BAND_MM = 0.8, 1.8  # light this near to a line supports it; this near it is weighed
LEAST_CROSSING_RAD = np.radians(15)  # a line flatter than this against the cloth's length is no cut
LEAST_LIT = 0.5  # of the line's way across the cloth


def light_line(
    picture: NDArray[np.uint8], projector: Optics, piece: Piece, rng: np.random.Generator, trim: bool = False
) -> Floats | None:
    """The longest straight line of light across a piece: two points (2, 2) of the mat, lower end first, or
    None.

    `picture` is what the projector shows. The line is the middle of its light, in linear light, seen
    through the projector's true lens at the height of the cloth's upper side. A `trim` may run any way, and close to
    the cloth's edge.
    """
    points, light = _light_on(picture, projector, piece, trim)
    if len(points) < 20:
        return None
    strong = points[light > BRIGHT]
    best = _best_pair(strong, piece, rng, trim) if len(strong) >= 20 else None
    if best is None:
        return None
    line = best
    for _ in range(4):
        near = np.abs(_off(points, line)) < BAND_MM
        line = _weighed(points[near], light[near], line)
    return line if _lit(strong[np.abs(_off(strong, line)) < NEAR_MM], line, piece) >= LEAST_LIT else None


def kept_edge(
    picture: NDArray[np.uint8],
    projector: Optics,
    piece: Piece,
    line: Floats,
    keep: str,
    told: Floats,
    trim: bool = False,
) -> Floats:
    """The edge of a line of light on the side that is kept: the same two points, moved by half of its width.

    `line` is the middle of the light, as `light_line` finds it; `keep` is left or right of it for someone who looks
    along `told`, a direction (2,). The width is the line's light over what a fully lit stretch of it has.
    """
    points, light = _light_on(picture, projector, piece, trim)
    near = np.abs(_off(points, line)) < BAND_MM
    run = line[1] - line[0]
    along = run / np.hypot(*run)
    places = points[near] @ along
    if len(places) < 20:
        return line
    pixel_mm2 = _pixel_mm2(projector, line.mean(axis=0), piece.thickness_mm)
    width = light[near].sum() * pixel_mm2 / (np.quantile(light[near], 0.98) * np.ptp(places))
    left = np.array([-along[1], along[0]]) * (1.0 if along @ told > 0.0 else -1.0)
    return np.asarray(line + left * (width / 2.0 if keep == "left" else -width / 2.0))


def _pixel_mm2(projector: Optics, at_mat_mm: Floats, height_mm: float) -> float:
    """How much of the table a pixel lights, around a place."""
    x, y = projector.px_from_level(at_mat_mm[None], height_mm)[0]
    around = np.array([[x - 5, y], [x + 5, y], [x, y - 5], [x, y + 5]])
    west, east, north, south = projector.level_from_px(around, height_mm)
    (a, b), (c, d) = (east - west) / 10.0, (south - north) / 10.0
    return float(abs(a * d - b * c))


def _light_on(picture: NDArray[np.uint8], projector: Optics, piece: Piece, trim: bool) -> tuple[Floats, Floats]:
    """Points (N, 2) of the mat frame on the cloth that are lit above their surroundings, and how strongly
    (N,). A trim's light is looked for up to the edge of the cloth: no outline is drawn there."""
    outline = piece.corners_mat_mm
    t = np.linspace(0.0, 1.0, 20, endpoint=False)[:, None, None]
    dense = (outline + t * (np.roll(outline, -1, axis=0) - outline)).transpose(1, 0, 2).reshape(-1, 2)
    pixels = projector.px_from_level(dense, piece.thickness_mm)
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(pixels).astype(np.int32)], 1)
    if not trim:
        mask = np.asarray(cv2.erode(mask, np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)), np.uint8)
    rows, columns = np.nonzero(mask)
    brightest = float(LINEAR[picture.max()])
    if len(rows) == 0 or brightest <= 0.0:
        return np.empty((0, 2)), np.empty(0)
    light = LINEAR[picture[rows, columns].max(axis=1)].astype(np.float64) / brightest
    light = light - np.median(light)
    lit = light > 0.004
    where = np.stack([columns[lit], rows[lit]], axis=1).astype(np.float64)
    return projector.level_from_px(where, piece.thickness_mm), light[lit]


def _off(points: Floats, line: Floats) -> Floats:
    """Signed distances (N,) of points from the line through two points, positive to its left."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    d = points - line[0]
    return np.asarray(along[0] * d[:, 1] - along[1] * d[:, 0])


def _best_pair(points: Floats, piece: Piece, rng: np.random.Generator, trim: bool) -> Floats | None:
    """The line through two of the points that is lit over the greatest length (random sample consensus)."""
    points = points[rng.permutation(len(points))[:3000]]
    length = piece.seams_mat_mm[0] if len(piece.seams_mat_mm) else piece.side_mat_mm("lower")
    axis = np.diff(length, axis=0)[0] if length is not None else np.array([1.0, 0.0])
    best, best_lit = None, 15.0
    for _ in range(TRIES):
        i, j = rng.integers(len(points), size=2)
        way = points[j] - points[i]
        if np.hypot(*way) < 10.0:
            continue
        crossing = abs(axis[0] * way[1] - axis[1] * way[0]) / (np.hypot(*axis) * np.hypot(*way))
        if not trim and crossing < np.sin(LEAST_CROSSING_RAD):
            continue
        line = np.array([points[i], points[j]])
        near = points[np.abs(_off(points, line)) < NEAR_MM]
        lit = _lit_mm(near, line)
        if lit > best_lit:
            best, best_lit = line, lit
    return best


def _lit_mm(points: Floats, line: Floats) -> float:
    """Over how many millimetres of a line there is light."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return float(len(np.unique(np.round((points - line[0]) @ along))))


def _lit(points: Floats, line: Floats, piece: Piece) -> float:
    """Lit share of the line's way across the piece."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    normal = np.array([-along[1], along[0]])
    corners = piece.corners_mat_mm
    depth = (corners - line[0]) @ normal
    nxt = np.roll(np.arange(len(corners)), -1)
    t = [
        float((corners[i] + depth[i] / (depth[i] - depth[j]) * (corners[j] - corners[i]) - line[0]) @ along)
        for i, j in enumerate(nxt)
        if (depth[i] >= 0) != (depth[j] >= 0)
    ]
    chord = max(t) - min(t) if len(t) == 2 else np.inf
    return _lit_mm(points, line) / chord


def _weighed(points: Floats, light: Floats, line: Floats) -> Floats:
    """Total least squares of points weighed by their light, as two points in the direction of the old
    line's rise.

    Stretches along the line count alike, however many pixels they hold: only the middle across it matters.
    """
    middle = light @ points / light.sum()
    d = points - middle
    _, vectors = np.linalg.eigh((d * light[:, None]).T @ d)
    along = vectors[:, 1] * np.sign(vectors[1, 1] if vectors[1, 1] != 0 else 1.0)
    half = np.hypot(*(line[1] - line[0])) / 2
    return np.array([middle - half * along, middle + half * along])
