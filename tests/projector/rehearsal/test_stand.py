"""Bumps: what was bumped is elsewhere from then on, as rigid motions say, and the picture shows it (generated)."""

import cv2
import numpy as np
import pytest

from projector.rehearsal.person.person import Work
from projector.rehearsal.quirks import MatQuirks, Quirks
from projector.rehearsal.setting import MAT_MM, setting_of
from projector.rehearsal.stand import Stand
from projector.rehearsal.world import VirtualTable, virtual_table

NO_SHIFT, NO_TURN = np.zeros(3), np.zeros(3)
POINTS = np.random.default_rng(1).uniform([0, 0], MAT_MM, (40, 2))
HALF_DEGREE = float(np.radians(0.5))


def bumped(device: str, shift_mm: np.ndarray, turn_rad: np.ndarray) -> Stand:
    stand = Stand(setting_of(2))
    stand.bump(device, shift_mm, turn_rad, 5.0)
    return stand


def test_before_a_bump_all_is_as_it_was() -> None:
    stand = bumped("camera", np.array([3.0, 0.0, 0.0]), NO_TURN)
    before, after = stand.at(4.999), stand.at(5.0)
    assert before.projector is after.projector
    assert after.camera.at_mm - before.camera.at_mm == pytest.approx([3.0, 0.0, 0.0])
    assert [one.since_s for one in stand.placings] == [-np.inf, 5.0]


def test_a_turned_camera_sees_what_a_turned_frame_holds() -> None:
    """Turning a device about its lens by R is turning the world by the inverse about it (rotation by Rodrigues)."""
    vector = np.array([0.004, -0.007, 0.01])
    stand = bumped("camera", NO_SHIFT, vector)
    before, after = stand.at(0.0).camera, stand.at(6.0).camera
    world = np.column_stack([POINTS, np.zeros(len(POINTS))])
    turned = before.at_mm + (world - before.at_mm) @ cv2.Rodrigues(vector)[0]  # rows: R^T (p - c)
    assert after.px_from_world(world) == pytest.approx(before.px_from_world(turned))


def test_a_mat_that_is_pushed_is_seen_elsewhere_by_both_devices_alike() -> None:
    """A point of the mat is seen where the pushed point would have been seen before: x -> R (x - m) + m + s."""
    shift, turn = np.array([4.0, -2.0, 0.0]), np.array([0.0, 0.0, HALF_DEGREE])
    stand = bumped("mat", shift, turn)
    c, s = np.cos(HALF_DEGREE), np.sin(HALF_DEGREE)
    middle = np.array(MAT_MM) / 2
    pushed = (POINTS - middle) @ np.array([[c, s], [-s, c]]) + middle + shift[:2]
    for before, after in (
        (stand.at(0.0).camera, stand.at(9.0).camera),
        (stand.at(0.0).projector, stand.at(9.0).projector),
    ):
        assert after.px_from_level(POINTS, 0.0) == pytest.approx(before.px_from_level(pushed, 0.0))


def test_devices_on_one_mount_keep_their_places_to_each_other() -> None:
    stand = bumped("mount", np.array([1.0, 2.0, 3.0]), np.array([0.01, 0.0, 0.02]))
    before, after = stand.at(0.0), stand.at(9.0)
    apart = [one.camera.axes @ (one.projector.at_mm - one.camera.at_mm) for one in (before, after)]
    assert apart[0] == pytest.approx(apart[1])
    assert after.camera.axes @ after.projector.axes.T == pytest.approx(before.camera.axes @ before.projector.axes.T)


def test_what_cannot_be_bumped_is_refused() -> None:
    stand = bumped("camera", NO_SHIFT, NO_TURN)
    for device, turn, t_s in (("cat", NO_TURN, 9.0), ("mat", np.array([0.1, 0.0, 0.0]), 9.0), ("camera", NO_TURN, 1.0)):
        with pytest.raises(ValueError, match=r"bumped|slides"):
            stand.bump(device, NO_SHIFT, turn, t_s)


def table(mat: MatQuirks | None = None) -> VirtualTable:
    world = virtual_table(2, Work(), (960, 540), (960, 540), Quirks(mat=mat or MatQuirks()))
    world.project(np.full((540, 960, 3), 220, np.uint8), 0.0)
    return world


def test_the_pushed_mat_moves_in_the_picture_with_its_own_texture() -> None:
    """By as many pixels as the lens says: phase correlation of a stretch of a mat without lines, noise averaged out."""
    world = table(MatQuirks(look="light", grid=False))
    first = mean_green(world, 1.0)
    world.bump("mat", np.array([6.0, 0.0, 0.0]), NO_TURN, 2.5)
    second = mean_green(world, 3.0)
    setting = setting_of(2, (960, 540), (960, 540))
    at = np.array(MAT_MM) / 2
    expected = np.diff(setting.camera.px_from_level(np.array([at, [at[0] + 6.0, at[1]]]), 0.0), axis=0)[0]
    found, _ = cv2.phaseCorrelate(first, second, cv2.createHanningWindow((300, 200), cv2.CV_32F))
    assert np.array(found) == pytest.approx(expected, abs=0.2)  # the light stays where it is and pulls a little


def mean_green(world: VirtualTable, t_s: float) -> np.ndarray:
    frames = [world.frame(t_s + 0.07 * k)[170:370, 330:630, 1] for k in range(16)]
    return np.mean(frames, axis=0, dtype=np.float32)


def test_truth_tells_the_poses_before_and_after() -> None:
    world = table()
    world.bump("projector", np.array([0.0, 5.0, 0.0]), NO_TURN, 2.0)
    world.frame(3.0)
    truth = world.close()
    assert len(truth.placings) == 2
    assert truth.projector is truth.placings[1].projector
    assert truth.projector.at_mm - truth.placings[0].projector.at_mm == pytest.approx([0.0, 5.0, 0.0])
    assert truth.placings[0].camera is truth.placings[1].camera
