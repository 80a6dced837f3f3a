"""The coarse map, seen by a camera that the test draws with OpenCV's warp: distorted, turned, partly covered."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.beam.coarse import CoarseMap, NotSeen, coarse_count, coarse_map, coarse_pictures

SIZE = (640, 360)
CAMERA = (500, 300)


def homography(quarters=0, mirrored=False):
    """Camera pixels from projector pixels."""
    w, h = SIZE
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    there = np.array([[40, 30], [470, 45], [450, 280], [25, 260]], np.float32)
    there = np.roll(there, -quarters, axis=0)
    if mirrored:
        corners = corners * [-1, 1] + [w, 0]
    return cv2.getPerspectiveTransform(corners.astype(np.float32), there.astype(np.float32))


def seen(matrix, *, reflectance=0.1, gamma=2.2, noise=0.003, black=1 / 200, room=0.1, k1=0.0, seed=1):
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(CAMERA[0]), np.arange(CAMERA[1]))
    # the camera's own distortion: a pixel looks at a place nearer to or farther from the middle
    dx, dy = (x - CAMERA[0] / 2) / CAMERA[0], (y - CAMERA[1] / 2) / CAMERA[0]
    bend = 1 + k1 * (dx**2 + dy**2)
    at = np.stack([CAMERA[0] / 2 + dx * bend * CAMERA[0], CAMERA[1] / 2 + dy * bend * CAMERA[0]], axis=-1)
    at = cv2.perspectiveTransform(at.reshape(-1, 1, 2), np.linalg.inv(matrix)).reshape(*x.shape, 2).astype(np.float32)
    frames = []
    for picture in coarse_pictures(SIZE):
        light = (picture[:, :, 0] / 255.0).astype(np.float32) ** gamma + np.float32(black)
        light = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
        light = reflectance * (0.8 * light + room) + rng.normal(0, noise, light.shape)
        encoded = np.clip(light, 0, 1) ** (1 / 2.2)
        frames.append(np.repeat(np.rint(255 * encoded).astype(np.uint8)[:, :, None], 3, axis=2))
    return frames, at


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_map_its_turn_and_a_mirror_are_told(quarters, mirrored):
    frames, at = seen(homography(quarters, mirrored))
    found = coarse_map(frames, SIZE)
    assert isinstance(found, CoarseMap)
    assert found.dots == 24
    points = np.array([[100.0, 80.0], [300.0, 150.0], [420.0, 240.0]])
    true = at[points[:, 1].astype(int), points[:, 0].astype(int)]
    assert np.abs(found.projector_px_from_camera(points) - true).max() < 0.01 * SIZE[0]
    assert np.abs(found.camera_px_from_projector(true.astype(float)) - points).max() < 0.01 * CAMERA[0]
    assert found.mirrored is mirrored
    # a turn of the picture's corners by one place is a quarter turn clockwise
    assert found.quarter_turns == (quarters if not mirrored else (quarters + 2) % 4)


def test_a_white_sheet_with_print_and_a_hand_do_no_harm():
    sheet = np.full((CAMERA[1], CAMERA[0]), 0.05)
    sheet[60:180, 120:330] = np.where(np.indices((120, 210)).sum(axis=0) // 20 % 2, 0.8, 0.06)
    frames, at = seen(homography(), reflectance=sheet)
    hand = np.zeros(sheet.shape, bool)
    hand[150:, 60:190] = True
    frames = [np.where(hand[:, :, None], np.uint8(95), frame) for frame in frames]
    found = coarse_map(frames, SIZE)
    assert isinstance(found, CoarseMap)
    points = np.array([[100.0, 80.0], [300.0, 150.0], [420.0, 240.0]])
    true = at[points[:, 1].astype(int), points[:, 0].astype(int)]
    assert np.abs(found.projector_px_from_camera(points) - true).max() < 0.015 * SIZE[0]


def test_a_wide_lens_is_followed_roughly():
    frames, at = seen(homography(), k1=-0.25)
    found = coarse_map(frames, SIZE)
    assert isinstance(found, CoarseMap)
    points = np.array([[120.0, 90.0], [300.0, 150.0], [400.0, 220.0]])
    true = at[points[:, 1].astype(int), points[:, 0].astype(int)]
    assert np.abs(found.projector_px_from_camera(points) - true).max() < 0.02 * SIZE[0]


def test_no_light_or_too_little_of_it_is_told():
    dark = [np.full((CAMERA[1], CAMERA[0], 3), 20, np.uint8)] * coarse_count()
    assert isinstance(coarse_map(dark, SIZE), NotSeen)
    frames, _ = seen(homography())
    covered = [np.where(np.arange(CAMERA[0])[None, :, None] > 110, np.uint8(90), f) for f in frames]
    few = coarse_map(covered, SIZE)
    assert isinstance(few, NotSeen)
    assert few.do


def test_there_are_a_dozen_pictures():
    pictures = list(coarse_pictures((97, 61)))
    assert len(pictures) == coarse_count() <= 12
    assert pictures[3].shape == (61, 97, 3)
    with pytest.raises(ValueError, match="frames"):
        coarse_map(pictures[:5], (97, 61))
