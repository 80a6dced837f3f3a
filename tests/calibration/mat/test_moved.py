"""What moved, by how much, and the poses solved again: generated tables of which every pose is known.

Smaller pictures and fewer bumps than `python -m tests.measure.moved`, which measures the same in full.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import cv2
import numpy as np
import pytest

from calibration.beam.mesh import Mesh
from calibration.mat.dots import dot_picture, find_dots, planned_dots
from calibration.mat.inplane import turn_matrix
from calibration.mat.landmarks import Landmarks, choose_landmarks
from calibration.mat.moved import Glance, dots_to_show, glance, with_dots
from calibration.mat.posefit import fit_pose
from calibration.mat.realign import (
    NotRealigned,
    realign_by_sheet,
    realign_camera,
    realign_camera_by_light,
    realign_mat,
    realign_projector,
)
from calibration.mat.sighting import find_landmarks
from calibration.projection import moved
from calibration.rig import Device, Rig
from calibration.sheet.corners import SheetView
from tests.calibration.mat.mats import MAT_MM, Look, Scene, bumped, usual

SIZE = (960, 540)
GREEN = Look()
AREA = np.array([[0.0, 0.0], [MAT_MM[0], 0.0], MAT_MM, [0.0, MAT_MM[1]]])
OUTLINE = AREA + np.array([[-6.0, -6.0], [6.0, -6.0], [6.0, 6.0], [-6.0, 6.0]])
PLACES = np.stack(np.meshgrid(np.linspace(20, 894, 9), np.linspace(20, 589, 7)), -1).reshape(-1, 2)


def exact(pinhole) -> Device:
    return Device(pinhole, 1e-18 * np.eye(15), 0.01)


def bare_rig(scene: Scene) -> Rig:
    return Rig(exact(scene.camera), exact(scene.projector), 0.0, AREA, datetime(2026, 1, 1, tzinfo=UTC))


@cache
def table(look: Look = GREEN) -> tuple[Scene, Rig]:
    """A table, and its rig with landmarks and dots as it was made."""
    scene = usual(SIZE, SIZE, look=look)
    even = scene.linear(1.0)
    pictures = [scene.exposed(even, k) for k in range(4)]
    rig = replace(bare_rig(scene), landmarks=choose_landmarks(pictures, scene.camera, OUTLINE))
    lit, dark = scene.picture(shown(rig), 11), scene.picture(None, 12)
    return scene, with_dots(rig, lit, dark, scene.exposed(even, 13))


def shown(rig: Rig):
    return dot_picture(dots_to_show(rig), SIZE)


def looked_at(rig: Rig, scene: Scene, seed=100) -> tuple[Glance, np.ndarray]:
    even = scene.picture(1.0, seed)
    return glance(rig, even, scene.picture(shown(rig), seed + 1), scene.picture(None, seed + 2)), even


def by_mm(before, after, scene: Scene):
    """How far the mat's places went, seen (lit) by a device: in the mat's own frame, the truth."""
    world = PLACES @ turn_matrix(scene.mat_turn_rad).T + np.array(scene.mat_at_mm)
    return np.linalg.norm(before.mat_from_px(after.px_from_mat(world)) - PLACES, axis=1)


def after_a_blow(what: str, mm: float, degrees: float, seed: int, look: Look = GREEN) -> Scene:
    scene, _ = table(look)
    rng = np.random.default_rng(seed)
    if what == "mat":
        way = rng.normal(size=2)
        way *= mm / np.linalg.norm(way)
        return replace(scene, mat_turn_rad=np.radians(degrees), mat_at_mm=(float(way[0]), float(way[1])))
    return replace(scene, **{what: bumped(getattr(scene, what), rng, mm, degrees)})


@pytest.mark.parametrize("what", ["camera", "projector", "mat"])
@pytest.mark.parametrize(("mm", "degrees"), [(1.0, 0.1), (6.0, 0.3), (15.0, 0.7)])
def test_a_blow_is_noticed_named_and_measured(what, mm, degrees):
    scene = after_a_blow(what, mm, degrees, seed=int(mm))
    _, rig = table()
    seen, _ = looked_at(rig, scene)
    assert [one.what for one in seen.moved] == [what]
    device = "projector" if what == "projector" else "camera"
    true = by_mm(getattr(rig, device).pinhole, getattr(scene, device), scene)
    # its largest is sought on other places than these, a little nearer to the corners
    assert seen.moved[0].by_mm == pytest.approx(true.max(), rel=0.12, abs=0.1)
    assert seen.moved[0].rms_mm <= seen.moved[0].by_mm
    assert seen.moved[0].u_mm < 0.1


def test_a_quiet_table_is_quiet():
    scene, rig = table()
    for seed in range(200, 230, 10):
        seen, _ = looked_at(rig, scene, seed)
        assert seen.quiet
        assert seen.unseen == ()


def test_the_rooms_light_alone_will_do():
    scene, rig = table()
    for there, named in ((scene, []), (after_a_blow("camera", 4.0, 0.2, 5), ["camera"])):
        dark = there.picture(None, 60)
        seen = glance(rig, dark, there.picture(shown(rig), 61), dark)
        assert [one.what for one in seen.moved] == named


def test_cloth_and_a_hand_on_the_mat_are_no_motion():
    scene, rig = table()
    light = scene.linear(1.0)
    light[100:300, 500:700] = 0.55  # cloth
    light[380:540, 250:380] = 0.4  # an arm
    seen = glance(rig, scene.exposed(light, 70), scene.picture(shown(rig), 71), scene.picture(None, 72))
    assert seen.quiet
    assert seen.sighting is not None
    assert seen.sighting.count < 0.95 * len(rig.landmarks)


def test_dots_on_cloth_go_by_less_than_what_counts_and_one_on_a_hand_is_an_outlier():
    scene, rig = table()
    lit, dark = scene.linear(shown(rig)), scene.linear(None)
    x, y = rig.dots.camera_px[7]
    there = np.s_[int(y) - 25 : int(y) + 25, int(x) - 25 : int(x) + 25]
    lit[there] = np.roll(lit[there], 6, axis=1)  # 6 mm aside
    seen = glance(rig, scene.picture(1.0, 80), scene.exposed(lit, 81), scene.exposed(dark, 82))
    assert seen.quiet


def test_without_features_it_says_what_it_cannot_tell():
    scene, rig = table()
    blind = replace(rig, landmarks=None)
    for what in ("camera", "projector"):
        seen, _ = looked_at(blind, after_a_blow(what, 5.0, 0.2, 3))
        assert [one.what for one in seen.moved] == ["camera or projector"]
        assert any("together on one mount" in line for line in seen.unseen)
    without_dots = glance(rig, after_a_blow("camera", 5.0, 0.2, 3).picture(1.0))
    assert [one.what for one in without_dots.moved] == ["camera or mat"]
    assert any("projector may have moved" in line for line in without_dots.unseen)
    assert glance(blind, scene.picture(1.0)).quiet
    assert len(glance(blind, scene.picture(1.0)).unseen) == 2


def test_camera_and_projector_both():
    scene = after_a_blow("camera", 4.0, 0.2, 8)
    scene = replace(scene, projector=bumped(scene.projector, np.random.default_rng(9), 4.0, 0.2))
    _, rig = table()
    seen, _ = looked_at(rig, scene)
    assert [one.what for one in seen.moved] == ["camera or mat", "projector"]


def test_a_plain_mats_border_is_enough_to_notice():
    look = Look(pitch_mm=0.0)
    scene, rig = table(look)
    assert looked_at(rig, scene)[0].quiet
    seen, _ = looked_at(rig, after_a_blow("camera", 5.0, 0.2, 4, look))
    assert [one.what for one in seen.moved] == ["camera"]


def test_a_mat_that_shows_nothing_has_no_landmarks():
    scene, _ = table()
    rng = np.random.default_rng(0)
    blank = np.clip(90 + rng.normal(0, 1.2, SIZE[::-1]), 0, 255).astype(np.uint8)
    marks = choose_landmarks([blank], scene.camera, OUTLINE)
    assert len(marks) == 0
    assert find_landmarks(blank, marks, scene.camera) is None
    with pytest.raises(ValueError, match="pictures of"):
        choose_landmarks([blank[:100]], scene.camera, OUTLINE)


# The poses solved again


def misses_mm(device: Device, scene_device, scene: Scene):
    world = PLACES @ turn_matrix(scene.mat_turn_rad).T + np.array(scene.mat_at_mm)
    return np.linalg.norm(device.pinhole.mat_from_px(scene_device.px_from_mat(world)) - PLACES, axis=1)


@pytest.mark.parametrize(("mm", "degrees"), [(1.0, 0.1), (15.0, 0.7)])
def test_the_camera_again_from_the_mat_alone(mm, degrees):
    scene = after_a_blow("camera", mm, degrees, 21)
    _, rig = table()
    seen, even = looked_at(rig, scene)
    again = realign_camera(rig, seen.sighting, even, seen.dots)
    assert misses_mm(again.camera, scene.camera, scene).max() < 0.1  # a tenth of a pixel
    assert "solved again" in again.notes[-1]
    assert looked_at(again, scene, 300)[0].quiet  # its new landmarks and dots are where it says


def read_light(scene: Scene, seed: int) -> Mesh:
    """What patterns would tell, 0.05 projector pixels off."""
    lit = scene.projector.px_from_mat(PLACES)
    off = np.random.default_rng(seed).normal(0, 0.05, lit.shape)
    return Mesh(scene.camera.px_from_mat(PLACES), lit + off, np.full_like(lit, 0.05))


def few(seen: Mesh) -> Mesh:
    return Mesh(seen.camera_px[:3], seen.projector_px[:3], seen.u_px[:3])


def misfit(device: Device, true, scene: Scene) -> float:
    """Mean of e'C^-1 e / 2: where the lens was exact what is left is the pose's, one draw of six."""
    error = device.pinhole.mat_from_px(true.px_from_mat(PLACES)) - PLACES
    return float(np.einsum("ni,nij,nj->n", error, np.linalg.inv(device.u_mat_mm(PLACES)), error).mean() / 2)


def test_the_camera_again_by_the_light_of_a_projector_that_stayed():
    scene = after_a_blow("camera", 6.0, 0.3, 22)
    _, rig = table()
    seen = read_light(scene, 28)
    again = realign_camera_by_light(rig, seen)
    assert isinstance(again, Rig)
    assert misses_mm(again.camera, scene.camera, scene).max() < 0.1
    assert 0.05 < misfit(again.camera, scene.camera, scene) < 4.0
    assert again.landmarks is None  # they were the old pose's
    assert isinstance(realign_camera_by_light(rig, few(seen)), NotRealigned)


def test_the_projector_again_from_patterns():
    scene = after_a_blow("projector", 6.0, 0.3, 23)
    _, rig = table()
    seen = read_light(scene, 24)
    again = realign_projector(rig, seen)
    assert isinstance(again, Rig)
    assert misses_mm(again.projector, scene.projector, scene).max() < 0.1
    assert 0.05 < misfit(again.projector, scene.projector, scene) < 4.0
    assert isinstance(realign_projector(rig, few(seen)), NotRealigned)


def test_light_on_the_lower_table_beside_the_mat_does_not_count():
    """Half of the readings lie beyond the mat, on a table 5 mm lower: light from above lands elsewhere there."""
    scene = after_a_blow("projector", 6.0, 0.3, 23)
    _, rig = table()
    on_mat, beyond = read_light(scene, 29), PLACES + np.array([3000.0, 0.0])
    low = Mesh(scene.camera.px_from_mat(beyond, -5.0), scene.projector.px_from_mat(beyond, -5.0), on_mat.u_px)
    parts = ("camera_px", "projector_px", "u_px")
    both = Mesh(*(np.concatenate([getattr(one, part) for one in (on_mat, low)]) for part in parts))
    ours, alone = realign_projector(rig, both), realign_projector(rig, on_mat)
    assert isinstance(ours, Rig)
    assert isinstance(alone, Rig)
    assert ours.projector.pinhole.translation_mm == pytest.approx(alone.projector.pinhole.translation_mm, abs=1e-9)


def test_both_again_where_the_mat_moved():
    scene = after_a_blow("mat", 12.0, 0.6, 25)
    _, rig = table()
    seen, even = looked_at(rig, scene)
    again = realign_mat(rig, seen.sighting, even, seen.dots)
    for device, true in ((again.camera, scene.camera), (again.projector, scene.projector)):
        assert misses_mm(device, true, scene).max() < 0.06


def test_the_camera_again_from_one_flat_sheet():
    """Its frame is the sheet's; the pose beside OpenCV's solvePnP, which has no prior and no weights."""
    scene = after_a_blow("camera", 15.0, 0.7, 26)
    _, rig = table()
    x, y = np.meshgrid(np.arange(7) * 30.0, np.arange(5) * 30.0)
    own = np.column_stack([x.ravel(), y.ravel()])
    on_mat = own @ turn_matrix(0.4).T + [350.0, 200.0]
    rng = np.random.default_rng(27)
    px = scene.camera.px_from_mat(on_mat, 0.1) + rng.normal(0, 0.01, on_mat.shape)
    again = realign_by_sheet(rig, SheetView("sheet", np.arange(35), own, px, np.full(35, 0.01)))
    assert isinstance(again, Rig)
    lens = scene.camera.lens
    flat = np.column_stack([own, np.zeros(35)])
    _, turns, move = cv2.solvePnP(flat, px, lens.matrix, np.array(lens.distortion))
    theirs = cv2.Rodrigues(turns)[0]
    assert again.camera.pinhole.rotation == pytest.approx(theirs, abs=2e-4)
    lowered = again.camera.pinhole.translation_mm + 0.1 * theirs[:, 2]
    assert lowered == pytest.approx(move.ravel(), abs=0.5)
    assert (again.frame, again.landmarks, again.mat_mm) == ("sheet", None, None)
    places = again.camera.pinhole.mat_from_px(scene.camera.px_from_mat(on_mat))
    assert np.linalg.norm(places - own, axis=1).max() < 0.05


# How sure


def test_a_pose_is_as_sure_as_it_says():
    """Over drawn noise the pose's error, in the stated covariance, is a chi-squared of six (mean 6, SD 3.5)."""
    scene, _ = table()
    rng = np.random.default_rng(31)
    start = bumped(scene.camera, rng, 3.0, 0.2)
    true_px = scene.camera.px_from_mat(PLACES)
    sizes = []
    for _ in range(60):
        pose = fit_pose(
            start,
            PLACES,
            true_px + rng.normal(0, 0.05, true_px.shape),
            np.tile(np.eye(2) / 0.05**2, (len(PLACES), 1, 1)),
        )
        back = fit_pose(pose.pinhole, PLACES, true_px, np.tile(np.eye(2) / 1e-6, (len(PLACES), 1, 1)))
        sizes.append(back.step @ np.linalg.solve(pose.covariance, back.step))
    assert np.mean(sizes) == pytest.approx(6.0, abs=4 * 3.46 / np.sqrt(60))


def test_landmarks_are_found_as_well_as_they_say():
    """Scatter of repeats against the stated information, both directions, over landmarks: neither twice nor half."""
    scene, rig = table()
    even = scene.linear(1.0)
    seen = [find_landmarks(scene.exposed(even, 400 + k), rig.landmarks, scene.camera) for k in range(8)]
    spread = np.var([one.seen_px for one in seen], axis=0, ddof=1).mean()
    stated = np.trace(np.linalg.inv(rig.landmarks.information_px2), axis1=1, axis2=2).mean() / 2 / (1 + 1 / 4)
    assert 0.25 < spread / stated < 1.5


def test_a_realigned_camera_states_its_errors():
    """The lens is wrong by a draw of its covariance, the mat's places with it: errors stay within what is said."""
    scene, rig = table()
    rng = np.random.default_rng(33)
    u = np.array([0.5, 0.5, 0.5, 0.5, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 0.02, 0.02, 0.02])
    moved_scene = after_a_blow("camera", 6.0, 0.3, 34)
    ratios = []
    for _ in range(6):
        camera = Device(moved(scene.camera, u * rng.normal(size=15)), np.diag(u**2), 0.01)
        marks = replace(rig.landmarks, places_mat_mm=camera.pinhole.mat_from_px(rig.landmarks.places_px))
        off = replace(rig, camera=camera, landmarks=marks)
        picture = moved_scene.picture(1.0, 500)
        again = realign_camera(off, find_landmarks(picture, marks, camera.pinhole), picture)
        px = moved_scene.camera.px_from_mat(PLACES)
        error = again.camera.pinhole.mat_from_px(px) - PLACES
        stated = again.camera.u_mat_mm(PLACES)
        ratios.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(stated), error).mean() / 2)
    assert 0.3 < np.mean(ratios) < 3.0


def test_dots_are_planned_within_the_area_and_none_repeats_the_lattice():
    scene, _ = table()
    dots = planned_dots(scene.projector, AREA)
    assert 20 <= len(dots.u_px) <= 40
    places = scene.projector.mat_from_px(dots.projector_px)
    assert np.all((places > 20) & (places < np.array(MAT_MM) - 20))
    # moved by any of its own distances the picture covers itself in a few dots only
    apart = (places[:, None] - places[None]).reshape(-1, 2)
    for step in apart[np.hypot(*apart.T) > 50]:
        away = np.linalg.norm((places + step)[:, None] - places[None], axis=2).min(axis=1)
        assert np.sum(away < 8.0) < len(places) / 2
    assert shown(table()[1]).max() < 255


def test_a_dot_is_found_to_hundredths_whatever_the_mat_prints_under_it():
    """In the picture divided by the even light's; without that the lines pull."""
    scene, rig = table()
    lit, dark, even = scene.picture(shown(rig), 91), scene.picture(None, 92), scene.picture(1.0, 93)
    true = scene.camera.px_from_mat(scene.projector.mat_from_px(rig.dots.projector_px))
    misses = []
    for light in (even, None):
        found = find_dots(rig.dots, lit, dark, light, rig.tone, true)
        assert found.seen.sum() > 0.9 * len(true)
        misses.append(np.sqrt(np.nanmean((found.camera_px - true) ** 2)))
    assert misses[0] < 0.05
    assert misses[0] < misses[1]


def test_landmarks_hold_what_they_say():
    _, rig = table()
    marks = rig.landmarks
    assert isinstance(marks, Landmarks)
    assert len(marks) > 100
    assert np.linalg.eigvalsh(marks.information_px2).min() >= -1e-9
    assert np.array_equal(marks.places_px, np.rint(marks.places_px))
