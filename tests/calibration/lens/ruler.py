"""A photograph of a millimetre ruler beside a chessboard that overfills the picture, taken by a camera that hangs.

`chalkbeam calibrate` wants to see all of a board. Here each picture shows another part of it, so the lattice is sought
by OpenCV's finder for boards of any size; from there on it is the tool's own: corners, lens, plane, uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.lens.camera import CameraSolution, solve_camera
from calibration.light import linear_grey
from calibration.projection import mat_by_parameters
from calibration.scale import from_bars
from calibration.sheet.board import parse_board
from calibration.sheet.corners import SheetView
from calibration.sheet.fitting import fitted
from calibration.sheet.lattice import mirrored
from calibration.sheet.rough import Rough

Floats = NDArray[np.float64]

SHARE = 20  # corners each way of a board of which every picture shows a part
BOARD = parse_board(f"chessboard:{SHARE}x{SHARE}:{166 / 11} mm")
SCALE = from_bars(166.0, 166.0, 166.0, 166.0)  # both ways by the makers' ruler, 0.2 mm each as of any reading
# Where the long marks run, columns of the picture, and about which row: centimetres from the file's description.
MARKS = {50: (0, 38, 268), 100: (0, 56, 502), 150: (0, 76, 746), 200: (35, 98, 1002)}
NEAR_PX = 4
LEAN = -0.11  # rows a column, about
HEIGHT_U_MM = 0.5  # whether the marks lie on the board's plane or somewhat above it cannot be seen


@dataclass(frozen=True, eq=False, slots=True)
class Mark:
    """A mark's line between two points of the picture (2, 2), and how surely its row is known."""

    ends_px: Floats
    u_px: float


@cache
def camera_of(folder: Path) -> CameraSolution:
    """The camera over the plane on which board and ruler lie."""
    views = [view_of(path) for path in sorted(folder.glob("camera-*.jpg"))]
    return solve_camera([view_of(folder / "plane.jpg")], views, (1024, 1024), 0.0, SCALE)


def view_of(path: Path) -> SheetView:
    """The part of the board that a picture shows; its first corner is wherever the finder began."""
    pixels = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    _, corners, kinds = cv2.findChessboardCornersSBWithMeta(pixels, (7, 7), flags)
    rows, columns = kinds.shape
    ids = (np.arange(rows)[:, None] * SHARE + np.arange(columns)).ravel()
    px = corners.reshape(rows, columns, 2).astype(float)
    if mirrored(BOARD.corners_sheet_mm[ids], px.reshape(-1, 2)):
        px = px[:, ::-1]
    rough = Rough(ids, px.reshape(-1, 2))
    fit = fitted(linear_grey(pixels), BOARD, rough)
    good = fit.good
    sheet_mm = BOARD.corners_sheet_mm[ids]
    blur_px = float(np.median(fit.blur_px[good]))
    white = float(np.median(fit.white[good]))
    return SheetView(path.name, ids[good], sheet_mm[good], fit.corners_px[good], fit.corners_u_px[good], blur_px, white)


def mark_in(light: NDArray[np.float32], first: int, last: int, row: float) -> Mark:
    """A thin dark line, nearly level, with shorter strokes that stand on it, by columns that show it alone."""
    middle, line = (first + last) / 2.0, np.array([row, LEAN])
    for _ in range(3):
        columns = np.arange(first, last)
        at = np.rint(line[0] + line[1] * (columns - middle)).astype(int)
        rows = at[:, None] + np.arange(-NEAR_PX, NEAR_PX + 1)
        seen = light[rows, columns[:, None]].astype(float)
        every, darkest = np.arange(len(columns)), np.clip(np.argmin(seen, axis=1), 1, 2 * NEAR_PX - 1)
        before, here, after = (seen[every, darkest + k] for k in (-1, 0, 1))
        found = rows[every, darkest] + 0.5 * (before - after) / np.maximum(before - 2 * here + after, 1e-6)
        beside = [seen[every, np.clip(darkest + k, 0, 2 * NEAR_PX)] for k in (-3, 3)]
        alone = np.min(beside, axis=0) > here + 0.35 * (np.quantile(seen, 0.8) - np.median(here))
        terms, found = np.column_stack([np.ones(len(columns)), columns - middle])[alone], found[alone]
        keep = np.ones(len(found), bool)
        for _ in range(4):
            line = np.linalg.lstsq(terms[keep], found[keep], rcond=None)[0]
            off = found - terms @ line
            keep = np.abs(off) < 2.5 * max(1.4826 * float(np.median(np.abs(off[keep]))), 0.05)
    ends = np.array([[x, line[0] + line[1] * (x - middle)] for x in (float(first), float(last))])
    return Mark(ends, float(np.std(off[keep])) / np.sqrt(np.count_nonzero(keep) / 3.0))  # neighbours err alike


def distances_mm(folder: Path) -> tuple[Floats, Floats]:
    """From 5 to 10, 10 to 15, 15 to 20 and 5 to 20 cm (4,), and their standard uncertainties (4,)."""
    solution = camera_of(folder)
    light = linear_grey(cv2.imread(str(folder / "plane.jpg"), cv2.IMREAD_GRAYSCALE))
    camera = solution.device.pinhole
    marks = [mark_in(light, *place) for place in MARKS.values()]
    lines = [camera.mat_from_px(mark.ends_px) for mark in marks]
    px_per_mm = solution.device.pinhole.lens.focal_px[1] / float(camera.lens_mat_mm[2])
    distances, u = np.zeros(4), np.zeros(4)
    for k, (a, b) in enumerate(((0, 1), (1, 2), (2, 3), (0, 3))):
        places = np.array([lines[a].mean(axis=0), lines[b].mean(axis=0)])
        distances[k] = (_off(places[0], lines[b]) + _off(places[1], lines[a])) / 2.0
        along = (places[1] - places[0]) / np.hypot(*(places[1] - places[0]))
        slopes = along @ np.diff(mat_by_parameters(camera, places), axis=0)[0]
        parts = (
            np.sqrt(slopes @ solution.device.covariance @ slopes),
            np.hypot(marks[a].u_px, marks[b].u_px) / px_per_mm,
            distances[k] * HEIGHT_U_MM / camera.lens_mat_mm[2],
            distances[k] * solution.scale_u,
        )
        u[k] = np.sqrt(np.sum(np.square(parts)))
    return distances, u


def _off(point: Floats, line: Floats) -> float:
    """Of a point (2,) from the line through two (2, 2)."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    x, y = point - line[0]
    return abs(float(along[0] * y - along[1] * x))
