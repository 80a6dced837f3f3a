"""Make a process ready to measure frame after frame, before anybody waits for it."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

import cv2
import numpy as np

from calibration.pinhole import Lens, Pinhole
from vision.finding.mat import compare_with_mat, mat_picture
from vision.measure import measure_units

SIZE_PX, MM_PER_PX, AWAY_MM = (640, 480), 0.4, 1000.0
MAT_BGR, CLOTHS_BGR = (0.12, 0.2, 0.1), ((0.6, 0.5, 0.6), (0.3, 0.25, 0.6))  # linear light
LINES_PX, LINE_BGR = 64, (0.5, 0.5, 0.5)  # the mat's grid
NOISE, BLUR_PX = 0.004, 0.8
WHOLE_PX = ((70.3, 60.2), (270.1, 71.4), (262.2, 221.3), (61.7, 209.6))
SEWN_PX = ((340.4, 230.7), (560.2, 239.6), (553.3, 420.8), (333.1, 411.5))  # its right half is of the other fabric


M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # of the GNU C library's mallopt(3)
MOST_KEPT, LARGEST = 2**30, (2**30, 2**25)  # bytes; the library's older versions take no more than the last


def keep_memory() -> None:
    """What a frame's arrays took stays with this process for the next frame.

    To give it back and be given it anew, all zeros, takes a tenth of the time of 40 units and a quarter of that of a
    picture of 3840 x 2160. Only Linux with the GNU C library is asked to.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is not None:
        mallopt(M_TRIM_THRESHOLD, MOST_KEPT)
        any(mallopt(M_MMAP_THRESHOLD, size) for size in LARGEST)


@cache
def warm_up() -> None:
    """Measure a small made-up picture, so that the loops over pixels are machine code; once in a process.

    It shows cloth of one fabric, and of two, as a camera straight above the mat would.
    """
    keep_memory()
    width, height = SIZE_PX
    bare = np.full((height, width, 3), MAT_BGR, np.float32)
    middle = (np.array(SEWN_PX)[[0, 3]] + np.array(SEWN_PX)[[1, 2]]) / 2.0
    bare[:, ::LINES_PX] = bare[::LINES_PX] = LINE_BGR
    seen = bare.copy()
    for corners, bgr in (
        (WHOLE_PX, CLOTHS_BGR[0]),
        (SEWN_PX, CLOTHS_BGR[0]),
        ((middle[0], SEWN_PX[1], SEWN_PX[2], middle[1]), CLOTHS_BGR[1]),
    ):
        cv2.fillPoly(seen, [np.rint(np.array(corners) * 16.0).astype(np.int32)], bgr, cv2.LINE_8, 4)
    bare, seen = (np.asarray(cv2.GaussianBlur(one, (0, 0), BLUR_PX), np.float32) for one in (bare, seen))
    chance = np.random.default_rng(1)
    bare += chance.normal(0.0, NOISE, bare.shape).astype(np.float32)
    seen += chance.normal(0.0, NOISE, seen.shape).astype(np.float32)
    focal = AWAY_MM / MM_PER_PX
    lens = Lens(SIZE_PX, (focal, focal), (width / 2.0, height / 2.0))
    camera = Pinhole(lens, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, AWAY_MM]))
    on_mat = np.ones((height, width), bool)
    measure_units(compare_with_mat(seen, mat_picture(bare, held=True), on_mat), camera, on_mat)
