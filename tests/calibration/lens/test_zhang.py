"""Zhang's photographs and the numbers published for them.

Z. Zhang, "A flexible new technique for camera calibration", MSR-TR-98-71 and IEEE PAMI 22(11), 2000.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.lens.camera import CameraSolution, solve_camera
from calibration.sheet.corners import SheetView

TABLES = Path(__file__).parents[3] / "fixtures" / "tables"
PUBLISHED = json.loads((TABLES / "zhang_published_result.json").read_text())
MM_PER_INCH = 25.4


@cache
def model_in():
    return np.loadtxt(TABLES / "zhang_model_in.csv", delimiter=",", skiprows=3)


@cache
def seen_px():
    return np.loadtxt(TABLES / "zhang_views_px.csv", delimiter=",", skiprows=3).reshape(256, 5, 2)


@cache
def solved() -> CameraSolution:
    views = [
        SheetView(f"{i + 1}", np.arange(256), model_in() * MM_PER_INCH, seen_px()[:, i], np.full(256, 0.2))
        for i in range(5)
    ]
    return solve_camera(views[:1], views[1:], (640, 480), 0.0, bends=False)


def test_the_camera_is_the_published_one():
    lens = solved().device.pinhole.lens
    assert lens.focal_px == pytest.approx((832.5, 832.53), abs=1.0)
    # ours has tangential terms, which he had not; they trade against the centre
    assert lens.centre_px == pytest.approx((303.959, 206.585), abs=2.5)


def test_the_corners_fit_as_they_do_in_other_hands():
    # per point: his five-parameter model leaves 0.3364 px, OpenCV with tangential terms 0.3343
    assert 0.334 < solved().device.residual_px * np.sqrt(2) < 0.338


def test_distortion_is_the_published_one_where_corners_were_seen():
    lens = solved().device.pinhole.lens
    k1, k2 = PUBLISHED["k1"], PUBLISHED["k2"]
    radius = np.linspace(0.0, 0.45, 10)  # the rays of the picture's corners are at 0.48
    k1_ours, k2_ours, _, _, k3_ours = lens.distortion
    theirs = radius**3 * (k1 + k2 * radius**2)
    ours = radius**3 * (k1_ours + radius**2 * (k2_ours + k3_ours * radius**2))
    assert 832.5 * np.abs(ours - theirs).max() < 0.5


def test_the_published_homography_of_the_first_view():
    # OpenCV's findHomography without rejection, to 1e-3: the table's rows and the views' columns are read rightly
    h, _ = cv2.findHomography(model_in(), seen_px()[:, 0])
    expected = [[60.105757, -3.648316, 59.657282], [-1.174768, 61.901902, 439.047248], [-0.00999043, -0.00654627, 1.0]]
    assert h == pytest.approx(np.array(expected), rel=1e-3)
