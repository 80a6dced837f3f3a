"""The camera against another library's bundle adjustment on the same corners: COLMAP's (pycolmap on PyPI, BSD-3).

Its camera model OPENCV has k1, k2, p1, p2 and no k3; its loss is the plain sum of squares, without priors. Its first
pixel's centre is (0.5, 0.5).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pycolmap
import pytest
from scipy.spatial import Delaunay

from calibration.lens.camera import solve_camera
from calibration.sheet.board import parse_board
from calibration.sheet.corners import SheetView, find_sheet

FIXTURES = Path(__file__).parents[3] / "fixtures"
SIZE_PX = (640, 480)
MM_PER_INCH = 25.4


def photographed(folder, told):
    paths = sorted(path for path in (FIXTURES / "photographs" / folder).iterdir() if path.suffix in (".png", ".jpg"))
    return [find_sheet(cv2.imread(str(path)), parse_board(told), path.name) for path in paths]


def zhang():
    """Z. Zhang's own corners: MSR-TR-98-71."""
    model_mm = np.loadtxt(FIXTURES / "tables" / "zhang_model_in.csv", delimiter=",", skiprows=3) * MM_PER_INCH
    seen = np.loadtxt(FIXTURES / "tables" / "zhang_views_px.csv", delimiter=",", skiprows=3).reshape(-1, 5, 2)
    return [
        SheetView(f"{i}", np.arange(len(seen)), model_mm, seen[:, i].copy(), np.full(len(seen), 0.2)) for i in range(5)
    ]


def colmaps_camera(views):
    """Matrix and distortion (k1, k2, p1, p2, 0) of a bundle adjustment over fixed points, poses free."""
    width, height = SIZE_PX
    start = np.array([[width, 0, width / 2], [0, width, height / 2], [0, 0, 1.0]])
    world = pycolmap.Reconstruction()
    params = [width, width, width / 2, height / 2, 0, 0, 0, 0]
    world.add_camera_with_trivial_rig(
        pycolmap.Camera(model="OPENCV", width=width, height=height, params=params, camera_id=1)
    )
    places_mm = {int(i): place for view in views for i, place in zip(view.ids, view.corners_sheet_mm, strict=True)}
    points = {i: world.add_point3D(np.array([*xy, 0.0]), pycolmap.Track()) for i, xy in places_mm.items()}
    chosen = pycolmap.BundleAdjustmentConfig()
    for number, view in enumerate(views, 1):
        flat = np.column_stack([view.corners_sheet_mm, np.zeros(len(view.ids))])
        _, turn, shift = cv2.solvePnP(flat, view.corners_px, start, None)
        pose = pycolmap.Rigid3d(np.hstack([cv2.Rodrigues(turn)[0], shift]))
        image = pycolmap.Image(name=view.name, keypoints=view.corners_px + 0.5, camera_id=1, image_id=number)
        world.add_image_with_trivial_frame(image, pose)
        for row, i in enumerate(view.ids):
            world.add_observation(points[int(i)], pycolmap.TrackElement(number, row))
        chosen.add_image(number)
    for point in points.values():
        chosen.add_constant_point(point)
    options = pycolmap.BundleAdjustmentOptions()
    options.refine_principal_point, options.print_summary = True, False
    options.ceres.solver_options.function_tolerance = 1e-14
    options.ceres.solver_options.max_num_iterations = 500
    pycolmap.create_default_bundle_adjuster(options, chosen, world).solve()
    fx, fy, cx, cy, *distortion = world.camera(1).params
    return np.array([[fx, 0, cx - 0.5], [0, fy, cy - 0.5], [0, 0, 1]]), np.array([*distortion, 0.0])


def displaced_px(matrix, distortion, rays):
    bent = cv2.projectPoints(np.column_stack([rays, np.ones(len(rays))]), np.zeros(3), np.zeros(3), matrix, distortion)
    return bent[0].reshape(-1, 2) - (rays @ matrix[:2, :2].T + matrix[:2, 2])


def seen_rays(matrix, views):
    """Rays over the part of the picture in which any corner lies."""
    x, y = np.meshgrid(np.linspace(0, SIZE_PX[0] - 1, 33), np.linspace(0, SIZE_PX[1] - 1, 25))
    px = np.column_stack([x.ravel(), y.ravel()])
    px = px[Delaunay(np.concatenate([view.corners_px for view in views])).find_simplex(px) >= 0]
    return (px - matrix[:2, 2]) / np.diag(matrix)[:2]


@pytest.mark.parametrize(
    "views",
    [
        pytest.param(lambda: photographed("chessboard-left", "chessboard:9x6:25mm"), id="chessboard"),
        pytest.param(lambda: photographed("aruco-grid", "grid:4x5:37.5mm:5mm:DICT_6X6_1000"), id="grid"),
        pytest.param(zhang, id="zhang"),
    ],
)
def test_the_same_camera_as_another_library_finds(views):
    """Focal lengths and centre within our uncertainty; distortion, where corners were seen, to tenths of a pixel.

    Measured on 2026-11-25, over chessboard, grid and Zhang's corners: distortion apart by 0.016, 0.021, 0.002 px in
    the median and 0.07, 0.08, 0.004 px at worst; focal lengths by 0.2, 1.4, 0.03 px. Our loss is robust and our higher
    terms have priors, so nothing closer is to be expected.
    """
    seen = views()
    matrix, distortion = colmaps_camera(seen)
    device = solve_camera(seen[:1], seen[1:], SIZE_PX, 0.0, bends=False).device  # it takes boards as flat
    lens, u = device.pinhole.lens, np.sqrt(np.diag(device.covariance))[:4]
    off = np.array([*lens.focal_px, *lens.centre_px]) - [*np.diag(matrix)[:2], *matrix[:2, 2]]
    assert np.all(np.abs(off) < 3 * np.sqrt(2) * u)  # both have such an uncertainty
    rays = seen_rays(matrix, seen)
    ours = displaced_px(lens.matrix, np.array(lens.distortion), rays)
    apart = np.hypot(*(ours - displaced_px(matrix, distortion, rays)).T)
    assert np.median(apart) < 0.1
    assert apart.max() < 0.3
