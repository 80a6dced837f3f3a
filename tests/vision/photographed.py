"""Printed squares in photographs that others made, measured like dark cloth on a light mat never seen bare.

The scale is that of the photograph's own sheet: the pitch of its markers, which no ink moves. What is measured are the
edges of the black squares. The squares are laid out roughly by OpenCV's marker detector: they lie so near together,
with white inside, that they are no pieces of cloth by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.lens.camera import solve_camera
from calibration.pinhole import Lens, Pinhole
from calibration.sheet.board import parse_board
from calibration.sheet.corners import SheetView, find_sheet
from calibration.sheet.rough import search
from vision.edge.picture import Picture
from vision.edge.pixels.neighbours import neighbours_of
from vision.finding.mat import compare_with_mat, guessed_mat_picture, on_mat_mask
from vision.finding.regions import Region, difference_map
from vision.light import linear_image
from vision.outlines.fitted import fit_outlines
from vision.outlines.sidedoubt import width_slopes
from vision.outlines.unitdoubt import SURE_RIG, Cloth, doubt_of
from vision.polygons import side_distances

Floats = NDArray[np.float64]

GRID = "grid:4x5:37.5mm:5mm:DICT_6X6_1000"
BOARD = parse_board(GRID)
PAPER = Cloth(0.0, 0.0)
WHITE_MM = 15.0  # of paper around the grid


@dataclass(frozen=True, eq=False, slots=True)
class Squares:
    """The black squares of one photograph."""

    widths_mm: Floats  # (N,) of each, both ways
    widths_u_mm: Floats
    outer_mm: tuple[Floats, Floats]  # across the rows (R,), along the columns (C,): from the first to the last square


@cache
def lens_of(folder: Path) -> tuple[Lens, tuple[SheetView, ...]]:
    """The camera's lens, and the views that show the sheet."""
    found = [find_sheet(cv2.imread(str(path)), BOARD, path.name) for path in sorted(folder.glob("*.jpg"))]
    views = tuple(one for one in found if isinstance(one, SheetView))
    return solve_camera(views[:1], views[1:], (640, 480), 0.0).device.pinhole.lens, views


def measured(folder: Path, view: SheetView) -> Squares:
    """The squares of one view of a folder of photographs."""
    lens, _ = lens_of(folder)
    pixels = cv2.imread(str(folder / view.name))
    camera = over_sheet(lens, view)
    size = BOARD.corners_sheet_mm.max(axis=0)
    area = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * (size + 2 * WHITE_MM) - WHITE_MM
    light, on_mat = linear_image(pixels), on_mat_mask(camera, area)
    rough = search(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), BOARD)
    squares_px = rough.px.reshape(-1, 4, 2)[:, ::-1]  # counter-clockwise
    neighbours = neighbours_of([_region(one) for one in squares_px], on_mat.shape)
    # What is bare is guessed beside the squares: in some pictures their ink is the commonest colour.
    scene = compare_with_mat(light, guessed_mat_picture(light, on_mat & (neighbours.highest == 0)), on_mat)
    picture = Picture.of(scene, camera, 0.0, neighbours)
    starts = {i: camera.mat_from_px(one) for i, one in enumerate(squares_px)}
    outlines = fit_outlines(picture, starts, difference_map(scene))
    widths, u, by_number = list[float](), list[float](), dict[int, Floats]()
    for i, outline in outlines.found.items():
        corners = outline.corners_mat_mm
        doubt = doubt_of(corners, outline.sides, outlines.common, camera, PAPER, SURE_RIG)
        by_number[int(rough.ids[4 * i] // 4)] = corners
        widths += [side_distances(corners, *pair)[0] for pair in ((0, 2), (1, 3))]
        u += [float(doubt.u_of(width_slopes(corners, *pair)[None])[0]) for pair in ((0, 2), (1, 3))]
    return Squares(np.array(widths), np.array(u), _outer(by_number))


def over_sheet(lens: Lens, view: SheetView) -> Pinhole:
    """The camera over the sheet of a view, z = 0 its face."""
    rays = lens.rays_from_px(view.corners_px)
    sheet_mm = np.column_stack([view.corners_sheet_mm, np.zeros(len(rays))])
    _, turn, move = cv2.solvePnP(sheet_mm, rays, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    return Pinhole(lens, np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(move, float).ravel())


def _outer(by_number: dict[int, Floats]) -> tuple[Floats, Floats]:
    """From first to last square of each row and of each column: between the middles of their outward sides."""
    middles = {number: corners.mean(axis=0) for number, corners in by_number.items()}
    across, up = BOARD.markers_x, BOARD.markers_y
    ends = (
        [(r * across, r * across + across - 1) for r in range(up)],
        [(c, (up - 1) * across + c) for c in range(across)],
    )
    spans = []
    for axis, pairs in enumerate(ends):
        here = list[float]()
        for pair in pairs:
            if all(one in by_number for one in pair):
                first, last = sorted(pair, key=lambda one: float(middles[one][axis]))
                least, most = np.sort(by_number[first][:, axis])[:2], np.sort(by_number[last][:, axis])[2:]
                here.append(float(most.mean() - least.mean()))
        spans.append(np.array(here))
    return spans[0], spans[1]


def _region(corners_px: Floats) -> Region:
    (x, y), (right, low) = np.floor(corners_px.min(axis=0)).astype(int), np.ceil(corners_px.max(axis=0)).astype(int)
    mask = np.zeros((low - y + 1, right - x + 1), np.uint8)
    cv2.fillPoly(mask, [np.rint(corners_px - [x, y]).astype(np.int32)], 1)
    return Region(corners_px, (int(x), int(y), mask.shape[1], mask.shape[0]), mask > 0, False)
