"""Reading real captures of a projector's Gray code, taken by others: pattern then inverse, column bits before row
bits, highest first, then white and black; the code is that of the projector's pixel itself.

Tests and `tests.measure.real_captures` use it. A bit is sure where pattern and inverse differ clearly; the place
of a chessboard corner comes from a plane map of its surroundings (D. Moreno, G. Taubin, 3DIMPVT 2012).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.patterns import from_gray_code

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

PROJECTOR_PX = (1024, 768)
INNER = (7, 9)
SQUARE = 75.0  # units; the makers' README
LIT = 40  # white minus black of a lit pixel, as its makers took it
SURE = 5  # pattern minus inverse of a sure bit, likewise
AROUND_PX = 23  # of a corner, that its plane map rests on
FEWEST_AROUND = 200
NEAR_PX = 1.5


def read_capture(folder: Path) -> list[Picture]:
    """The grey pictures of one pose, in their order."""
    pictures = [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(folder.glob("graycode_*.jpg"))]
    assert len(pictures) == 2 * (10 + 10) + 2, f"{folder} has {len(pictures)} pictures"
    return [np.asarray(picture, np.uint8) for picture in pictures]


def decode_pairs(pictures: Sequence[Picture], bits: tuple[int, int] = (10, 10)) -> Floats:
    """(h, w, 2): for each camera pixel the middle of the projector pixel that lights it; NaN where a bit is unsure."""
    wide = [picture.astype(np.int32) for picture in pictures]
    sure = wide[-2] - wide[-1] > LIT
    places, at = [], 0
    for count in bits:
        code = np.zeros(sure.shape, np.int64)
        for _ in range(count):
            difference = wide[at] - wide[at + 1]
            code = code << 1 | (difference > 0)
            sure &= np.abs(difference) > SURE
            at += 2
        places.append(from_gray_code(code).astype(float))
    found = np.stack(places, axis=-1)
    found[~sure] = np.nan
    return found


def corners_px(white: Picture) -> Floats:
    """(63, 2): the chessboard's inner corners in the camera's white picture."""
    found, corners = cv2.findChessboardCornersSB(white, INNER)
    assert found
    return np.asarray(corners, float).reshape(-1, 2)


def in_projector(decoded: Floats, corners: Floats) -> Floats:
    """(N, 2): corners carried into projector pixels; NaN where too little light is read around one."""
    h, w = decoded.shape[:2]
    y, x = np.mgrid[:h, :w]
    out = np.full(corners.shape, np.nan)
    for i, (cx, cy) in enumerate(corners):
        box = (
            slice(max(int(cy) - AROUND_PX, 0), int(cy) + AROUND_PX),
            slice(max(int(cx) - AROUND_PX, 0), int(cx) + AROUND_PX),
        )
        light = decoded[box].reshape(-1, 2)
        known = np.isfinite(light[:, 0])
        if known.sum() < FEWEST_AROUND:
            continue
        here = np.column_stack([x[box].ravel(), y[box].ravel()])[known] - [cx, cy]
        matrix, _ = cv2.findHomography(here.astype(float), light[known], cv2.RANSAC, NEAR_PX)
        out[i] = matrix[:2, 2] / matrix[2, 2]
    return out


def board_points() -> Floats:
    """(63, 3) corners of the board in its units, in the order of `corners_px`."""
    columns, rows = INNER
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    return SQUARE * np.column_stack([x.ravel(), y.ravel(), np.zeros(columns * rows)]).astype(float)


def off_one_plane_px(corners: Floats, projector_px: Floats) -> float:
    """RMS per axis of carried corners about one plane map of the board, in projector pixels.

    The board's own corners are the source: they are known, and no lens of the camera is in them.
    """
    known = np.isfinite(projector_px[:, 0])
    matrix, _ = cv2.findHomography(corners[known], projector_px[known])
    h = np.column_stack([corners[known], np.ones(known.sum())]) @ matrix.T
    return float(np.sqrt(np.mean((h[:, :2] / h[:, 2:] - projector_px[known]) ** 2)))
