"""Corners that the detector passed over, found where the rest of the sheet wants them.

OpenCV tells a corner where it has read the markers beside it. In a small picture many markers cannot be read, though
the corners between them are as good as any. Each is looked for where its neighbours want it, from what is known
outwards, and kept where the picture shows a corner like the others there.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet.board import Board
from calibration.sheet.fitting import fit_straight
from calibration.sheet.lattice import foretold
from calibration.sheet.rough import Rough
from calibration.sheet.saddle import Saddles

Floats = NDArray[np.float64]
Ids = NDArray[np.int64]

FEWEST_ANCHORS = 8  # corners of markers: two markers, say
OFF_STEPS = 0.3  # of a square: an anchor further off one view of the sheet was misread; a wide lens bends less
IN_PLACE = 0.8  # share of the anchors that must lie in one view: else it is not the board that was told
PLAINLY = 0.5  # contrast of a corner, in that of the usual one of its sheet
AS_SHARP = 1.5  # its blur, in theirs
WHERE_WANTED = 0.1  # of a square, how far from where its neighbours want it
FROM_RIM_PX = 4.0


def completed(linear: NDArray[np.float32], board: Board, rough: Rough) -> Rough:
    """The corners found, and those of the others that are seen as well.

    Parameters
    ----------
    linear : (h, w) float32
        The picture in linear light.
    board : Board
    rough : Rough
        What the detector found; the corners of its markers need not be better than half a pixel.
    """
    anchors_mm, anchors_px = _in_one_view(board, rough)
    while len(anchors_mm) >= FEWEST_ANCHORS and len(rough.ids) < len(board.corners_sheet_mm):
        known_mm = np.concatenate([anchors_mm, board.corners_sheet_mm[rough.ids]])
        found = _more(linear, board, rough, known_mm, np.concatenate([anchors_px, rough.px]))
        if len(found.ids) == len(rough.ids):
            break
        rough = found
    return rough


def _in_one_view(board: Board, rough: Rough) -> tuple[Floats, Floats]:
    """The markers' corners, on the sheet and in the picture, (M, 2); none where they do not fit the board told."""
    on_sheet, px = board.marker_corners_sheet_mm[rough.anchor_ids], rough.anchors_px
    nothing = np.empty((0, 2)), np.empty((0, 2))
    if len(px) < FEWEST_ANCHORS:
        return nothing
    h, fits = cv2.findHomography(px, on_sheet, cv2.RANSAC, OFF_STEPS * board.square_mm)
    if h is None or np.mean(fits) < IN_PLACE:
        return nothing
    kept = np.ravel(fits).astype(bool)
    return on_sheet[kept], px[kept]


def _more(linear: NDArray[np.float32], board: Board, rough: Rough, known_mm: Floats, known_px: Floats) -> Rough:
    """The corners found and those next to them that the picture shows."""
    missing, wanted_px = _wanted(linear.shape, board, rough, known_mm, known_px)
    ids, px = np.concatenate([rough.ids, missing]), np.concatenate([rough.px, wanted_px])
    sheet_mm = board.corners_sheet_mm[ids]
    if len(missing) == 0 or np.ptp(sheet_mm, axis=0).min() == 0:
        return rough
    fit = fit_straight(linear, board, sheet_mm, px)
    kept = _alike(fit) & (np.hypot(*(fit.corners_px - px).T) < WHERE_WANTED * _square_px(board, rough))
    old = np.arange(len(ids)) < len(rough.ids)
    kept, px = kept | old, np.where(old[:, None], px, fit.corners_px)
    order = np.argsort(ids[kept])
    return replace(rough, ids=ids[kept][order], px=px[kept][order])


def _wanted(
    shape: tuple[int, ...], board: Board, rough: Rough, known_mm: Floats, known_px: Floats
) -> tuple[Ids, Floats]:
    """Ids (K,) of corners not found yet beside what is known, and where in the picture they should be, (K, 2)."""
    missing = np.setdiff1d(np.arange(len(board.corners_sheet_mm)), rough.ids)
    wanted_px, near = foretold(known_mm, known_px, board.corners_sheet_mm[missing], board.square_mm)
    inside = np.all((wanted_px > FROM_RIM_PX) & (wanted_px < np.array(shape[::-1]) - 1 - FROM_RIM_PX), axis=1)
    return missing[near & inside], wanted_px[near & inside]


def _alike(fit: Saddles) -> NDArray[np.bool_]:
    """Which corners look like the usual one."""
    if not fit.good.any():
        return fit.good
    contrast, blur_px = np.median(fit.contrast[fit.good]), np.median(fit.blur_px[fit.good])
    return np.asarray(fit.good & (fit.contrast > PLAINLY * contrast) & (fit.blur_px < AS_SHARP * blur_px))


def _square_px(board: Board, rough: Rough) -> float:
    """The usual side of a square in the picture, by the markers."""
    sides_px = np.diff(rough.anchors_px.reshape(-1, 4, 2), axis=1)
    return float(np.median(np.hypot(*sides_px.T))) * board.square_mm / board.marker_mm
