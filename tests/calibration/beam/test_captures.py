"""Gray code that a real projector threw on a real chessboard, captured by others (fixtures/photographs/graycode)."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.beam.mesh import Mesh
from calibration.beam.projector import solve_projector
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS
from calibration.rig import Device
from tests.calibration.beam.captures import (
    PROJECTOR_PX,
    board_points,
    corners_px,
    decode_pairs,
    in_projector,
    off_one_plane_px,
    read_capture,
)

FOLDER = Path(__file__).parents[3] / "fixtures" / "photographs" / "graycode"
POSES = sorted(FOLDER.glob("pose_*"))
DISTORTION = (-0.2222653, -0.8661335, -0.0007278, -0.0016884, 3.1254597)  # published with the captures
FOCAL_PX = 1889.0  # of the projector, by OpenCV's calibration of all five poses; that is another solution than ours


def camera_at(pose: Path, corners: np.ndarray) -> Pinhole:
    """The published camera, the board being the mat (its y turned, so that z comes up to the camera)."""
    column, row = (int(part) for part in pose.name.split("_")[-2:])
    lens = Lens((1280 - column, 1024 - row), (3452.3929, 3449.9243), (587.1731 - column, 521.446 - row), DISTORTION)
    board = board_points() * [1.0, -1.0, 1.0]
    _, turns, move = cv2.solvePnP(board, corners, lens.matrix, np.array(DISTORTION))
    return Pinhole(lens, np.asarray(cv2.Rodrigues(turns)[0], float), np.ravel(move))


@pytest.fixture(scope="module", params=POSES, ids=lambda pose: pose.name)
def read(request):
    pictures = read_capture(request.param)
    corners = corners_px(pictures[-2])
    return request.param, corners, in_projector(decode_pairs(pictures), corners)


def test_there_are_two_poses():
    assert len(POSES) == 2


def test_at_a_pose_the_carried_corners_lie_on_one_plane(read):
    _, corners, projector_px = read
    assert np.isfinite(projector_px).all()
    # per corner, as a distance; the sum over both axes is twice the mean square of one
    assert np.sqrt(2) * off_one_plane_px(corners, projector_px) < 0.2


def test_our_projector_solve_agrees_with_opencvs_of_all_poses(read):
    """One tilted plane tells the focal length well; a lens shift of 0.6 heights is in this projector."""
    pose, corners, projector_px = read
    camera = Device(camera_at(pose, corners), np.zeros((PARAMETERS, PARAMETERS)), 0.0)
    seen = Mesh(corners, projector_px, np.full(corners.shape, 0.1))
    device = solve_projector(seen, PROJECTOR_PX, camera).device
    assert device.residual_px < 0.15
    u_px = np.sqrt(device.covariance[0, 0])
    assert abs(device.pinhole.lens.focal_px[0] - FOCAL_PX) < 3 * u_px
    assert u_px < 0.06 * FOCAL_PX
    assert device.pinhole.lens.centre_px[1] == pytest.approx(854.0, abs=60.0)
