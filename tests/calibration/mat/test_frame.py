"""The mat's frame: in frames of an independent renderer, and on generated mats of any look."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.mat.frame import MatFrame, NotFound, find_mat_frame, frame_from_corners, in_mat_frame, upright
from calibration.mat.inplane import device_in_plane, rigid, turn_matrix
from calibration.mat.pointed import pointed_px
from calibration.pinhole import Lens, Pinhole
from calibration.projection import moved
from calibration.rig import Device, Rig
from tests.calibration.mat.mats import MAT_MM, Look, over_table, usual

TABLE = Path(__file__).parents[3] / "fixtures" / "table"
CORNERS = np.array([[0.0, 0.0], [MAT_MM[0], 0.0], MAT_MM, [0.0, MAT_MM[1]]])
SHEET = 0.21, np.array([310.0, 190.0])  # turn and place of the first sheet on the mat


def rendered_camera() -> Pinhole:
    """The true camera of frames that a general-purpose renderer made (fixtures/table/README.md)."""
    truth = json.loads((TABLE / "boards.json").read_text())["camera"]
    k = np.array(truth["K"])
    lens = Lens((1920, 1080), (k[0, 0], k[1, 1]), (k[0, 2], k[1, 2]), tuple(np.ravel(truth["dist_k1k2p1p2k3"])))
    return Pinhole(lens, np.array(truth["R_mat_to_cam"]), np.ravel(truth["t_mat_to_cam_mm"]).astype(float))


def in_sheet_frame(camera: Pinhole, turn_rad=SHEET[0], at_mm=SHEET[1]) -> Pinhole:
    """The camera over the frame of a sheet that lies on the mat, turned and moved."""
    turn = turn_matrix(-turn_rad)
    return device_in_plane(Device(camera, np.zeros((15, 15)), 0.0), turn, -turn @ at_mm).pinhole


def misses_mm(frame: MatFrame, turn_rad=SHEET[0], at_mm=SHEET[1]):
    """How far the mat's true corners come out from where they are in its own frame."""
    in_sheet = (CORNERS - at_mm) @ turn_matrix(turn_rad)
    return np.linalg.norm(frame.mat_from_rig(in_sheet) - CORNERS, axis=1)


def middle_in_sheet(turn_rad=SHEET[0], at_mm=SHEET[1]):
    return (np.array(MAT_MM) / 2 - at_mm) @ turn_matrix(turn_rad)


def found_in(scene):
    """The frame of a generated scene whose rig is still in the first sheet's frame."""
    light = in_sheet_frame(scene.projector)
    return find_mat_frame(scene.picture(1.0), in_sheet_frame(scene.camera), middle_in_sheet(), light)


@pytest.mark.parametrize("name", ["empty_01.jpg", "empty_02.jpg"])
def test_frames_of_an_independent_renderer(name):
    picture = cv2.imread(str(TABLE / name))
    frame = find_mat_frame(picture, in_sheet_frame(rendered_camera()), middle_in_sheet())
    assert isinstance(frame, MatFrame)
    assert misses_mm(frame).max() < 0.25
    assert frame.size_mm == pytest.approx(MAT_MM, abs=1.0)
    assert "outline" in frame.how


LOOKS = {
    "dark with light lines": Look(),
    "light on a dark table": Look(mat=0.35, line=0.25, around=0.12),
    "no lines at all": Look(pitch_mm=0.0),
    "centimetres, inset": Look(mat=0.12, line=0.2, around=0.3, pitch_mm=10.0, line_mm=0.4, inset_mm=7.2),
    "a table nearly as bright": Look(mat=0.10, line=0.14, around=0.125, grain=0.02),
}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS.keys())
def test_the_outline_whatever_the_mat_looks_like(look):
    scene = usual((1280, 720), look=look)
    frame = found_in(scene)
    assert isinstance(frame, MatFrame)
    assert misses_mm(frame).max() < 1.0
    assert frame.size_mm == pytest.approx(MAT_MM, abs=1.0)


def test_a_camera_that_is_upside_down_changes_nothing():
    scene = usual((1280, 720))
    about = np.diag([-1.0, -1.0, 1.0])
    turned = Pinhole(scene.camera.lens, about @ scene.camera.rotation, about @ scene.camera.translation_mm)
    frame = found_in(replace(scene, camera=turned))
    assert isinstance(frame, MatFrame)
    assert misses_mm(frame).max() < 1.0


def test_a_mat_whose_far_side_is_out_of_view_has_a_frame_but_no_size():
    scene = usual((1280, 720))
    camera = over_table((1280, 720), (330, 200, 1000), focal=1.9)
    frame = found_in(replace(scene, camera=camera))
    assert isinstance(frame, MatFrame)
    assert frame.size_mm is None
    assert misses_mm(frame).max() < 1.0


def test_a_grid_without_borders_is_a_frame_that_says_so():
    """Its origin lies on a crossing, its direction is the grid's."""
    scene = usual((1280, 720))
    camera = over_table((1280, 720), (450, 300, 900), focal=2.6)
    frame = found_in(replace(scene, camera=camera))
    assert isinstance(frame, MatFrame)
    assert "grid of 25.4 mm" in frame.how
    assert frame.size_mm is None
    origin = frame.rig_from_mat(np.zeros((1, 2))) @ turn_matrix(SHEET[0]).T + SHEET[1]
    off = (origin + 12.7) % 25.4 - 12.7
    assert np.abs(off).max() < 0.3
    assert frame.turn_rad == pytest.approx(-SHEET[0], abs=0.001)


def test_a_plain_mat_that_fills_the_view_is_not_found_in_words():
    scene = usual((1280, 720), look=Look(pitch_mm=0.0, mottle=0.01))
    camera = over_table((1280, 720), (450, 300, 900), focal=2.6)
    found = found_in(replace(scene, camera=camera))
    assert isinstance(found, NotFound)
    assert "border" in found.why


def test_corners_that_were_pointed_out_in_any_order():
    camera = in_sheet_frame(rendered_camera())
    px = rendered_camera().px_from_mat(CORNERS)
    for order in ([0, 1, 2, 3], [2, 0, 3, 1], [3, 2, 1, 0]):
        frame = frame_from_corners(px[order], camera)
        assert isinstance(frame, MatFrame)
        assert misses_mm(frame).max() < 1e-6
        assert frame.size_mm == pytest.approx(MAT_MM)
    askew = CORNERS + np.array([[0, 0], [0, 0], [80, 0], [0, 0]])
    for wrong in (askew, CORNERS[[0, 1, 2, 2]]):
        assert isinstance(frame_from_corners(rendered_camera().px_from_mat(wrong), camera), NotFound)


def test_something_round_points_a_place_out():
    """A generated disc, 18 mm wide, exactly where it was drawn; then two of them, then a hand's size."""
    scene = usual((1280, 720))
    bare = scene.picture(1.0, 1)
    where = np.array([203.0, 411.0])
    for places, found in (([where], True), ([where, where + 150], False), ([], False)):
        light = scene.linear(1.0)
        for place in places:
            light = _with_disc(light, scene.camera, place, 9.0)
        px = pointed_px(scene.exposed(light, 2), bare, scene.camera)
        assert isinstance(px, NotFound) is not found
        if found:
            assert np.linalg.norm(scene.camera.mat_from_px(px) - where) < 0.2
    hand = scene.exposed(_with_disc(scene.linear(1.0), scene.camera, where, 40.0), 3)
    assert isinstance(pointed_px(hand, bare, scene.camera), NotFound)


def _with_disc(light, camera, place_mm, radius_mm):
    ring = place_mm + radius_mm * np.column_stack([np.cos(t := np.linspace(0, 2 * np.pi, 90)), np.sin(t)])
    mask = np.zeros(light.shape, np.uint8)
    px = np.rint(camera.px_from_mat(ring) * 256).astype(np.int32)
    cv2.fillPoly(mask, [px], 255, cv2.LINE_AA, 8)
    return light + (0.5 - light) * (mask / 255.0).astype(np.float32)


@pytest.mark.parametrize(("turn", "same"), [(0.1, 0.1), (np.pi / 2 + 0.1, 0.1), (-np.pi + 0.2, 0.2), (-0.7, -0.7)])
def test_a_rectangle_stands_as_the_sheet_did(turn, same):
    assert upright(turn) == pytest.approx(same)


def test_the_rigid_motion_is_that_of_the_singular_values():
    """Beside W. Kabsch's solution by singular values (Acta Cryst. A32, 1976)."""
    rng = np.random.default_rng(3)
    a = rng.normal(size=(20, 2)) * 100
    b = a @ turn_matrix(2.0).T + [5.0, -3.0] + rng.normal(size=(20, 2))
    u, _, v = np.linalg.svd((b - b.mean(axis=0)).T @ (a - a.mean(axis=0)))
    kabsch = u @ np.diag([1.0, np.linalg.det(u @ v)]) @ v
    turn, move = rigid(a, b)
    assert turn == pytest.approx(kabsch)
    assert move == pytest.approx(b.mean(axis=0) - kabsch @ a.mean(axis=0))


def a_rig() -> Rig:
    rng = np.random.default_rng(4)
    scene = usual((1280, 720))
    root = rng.normal(size=(15, 15)) * ([1e-3] * 9 + [1e-5] * 3 + [1e-2] * 3)
    devices = [Device(one, root.T @ root, 0.01) for one in (scene.camera, scene.projector)]
    return Rig(*devices, 1e-3, CORNERS.copy(), datetime(2026, 1, 1, tzinfo=UTC))


def test_in_another_frame_a_rig_says_the_same_of_the_same_places():
    rig = a_rig()
    frame = MatFrame(40.0, -25.0, 0.3, "its outline", MAT_MM, 0.3, 1e-4)
    turned = in_mat_frame(rig, frame)
    places = np.array([[100.0, 100.0], [700.0, 500.0]])
    own = frame.mat_from_rig(places)
    assert frame.rig_from_mat(own) == pytest.approx(places)
    turn = turn_matrix(-0.3)
    for before, after in ((rig.camera, turned.camera), (rig.projector, turned.projector)):
        assert after.pinhole.px_from_mat(own, 0.4) == pytest.approx(before.pinhole.px_from_mat(places, 0.4))
        assert after.u_mat_mm(own) == pytest.approx(turn @ before.u_mat_mm(places) @ turn.T, rel=1e-6)
    assert turned.area_mat_mm == pytest.approx(frame.mat_from_rig(rig.area_mat_mm))
    assert (turned.frame, turned.frame_how, turned.mat_mm) == ("mat", "its outline", MAT_MM)


def test_a_devices_errors_turn_with_its_frame():
    """A drawn error of the old parameters and its image under the change of frame are one and the same device."""
    rig = a_rig()
    turn, move = turn_matrix(-0.4), np.array([30.0, 80.0])
    step = np.zeros(15)
    step[9:15] = [1e-5, -2e-5, 1.5e-5, 0.01, -0.02, 0.005]
    off = device_in_plane(Device(moved(rig.camera.pinhole, step), np.outer(step, step), 0.0), turn, move)
    sure = device_in_plane(Device(rig.camera.pinhole, np.outer(step, step), 0.0), turn, move)
    values, vectors = np.linalg.eigh(sure.covariance)
    image = vectors[:, -1] * np.sqrt(values[-1])
    image *= np.sign(image @ np.r_[step[:12], step[12:]])
    places = np.array([[100.0, 50.0], [500.0, 400.0]])
    assert moved(sure.pinhole, image).px_from_mat(places) == pytest.approx(off.pinhole.px_from_mat(places), abs=1e-4)
