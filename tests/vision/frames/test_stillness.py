"""Stillness is believed after some time without change; noise and flicker are no change, a moved thing is."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from vision.frames.stillness import Stillness, observe, small_picture
from vision.light import srgb_from_linear

SIZE = (360, 640)
FRAME_S = 1 / 15


def world(x_px: float = 200.0, side_px: int = 80, lamp: float = 1.0) -> NDArray[np.float64]:
    """Linear light of a dark mat with one light square, its left rim covered by exact share of a pixel."""
    light = np.full(SIZE, 0.08)
    left = int(np.floor(x_px))
    light[100 : 100 + side_px, left : left + side_px] = 0.6
    light[100 : 100 + side_px, left] = 0.08 + (1 - (x_px - left)) * 0.52
    light[100 : 100 + side_px, left + side_px] = 0.08 + (x_px - left) * 0.52
    return light * lamp


def film(light: NDArray[np.float64], rng: np.random.Generator, electrons: float = 8000.0) -> NDArray[np.uint8]:
    """A generated frame: shot noise of `electrons` at full scale, sRGB, eight bits."""
    noisy = rng.poisson(light * electrons) / electrons
    encoded = np.rint(srgb_from_linear(np.clip(noisy, 0.0, 1.0)) * 255).astype(np.uint8)
    return np.repeat(encoded[..., None], 3, axis=2)


def watch(lights: list[NDArray[np.float64]], seed: int = 1, electrons: float = 8000.0) -> list[Stillness]:
    rng, state, states = np.random.default_rng(seed), Stillness(), []
    for n, light in enumerate(lights):
        state = observe(state, small_picture(film(light, rng, electrons)), n * FRAME_S)
        states.append(state)
    return states


def test_nothing_is_still_before_its_time() -> None:
    assert not Stillness().still
    stills = [state.still for state in watch([world()] * 12)]
    assert stills == [n * FRAME_S >= 0.4 for n in range(12)]


def test_two_frames_are_not_enough_however_far_apart() -> None:
    small = small_picture(film(world(), np.random.default_rng(0)))
    state = observe(observe(Stillness(), small, 0.0), small, 60.0)
    assert not state.still
    assert observe(state, small, 60.1).still


@pytest.mark.parametrize("electrons", [500.0, 8000.0, 1e9])
def test_noise_is_no_change_in_two_hundred_frames(electrons: float) -> None:
    states = watch([world()] * 200, electrons=electrons)
    assert all(state.still for state in states[7:])


def test_a_frame_that_is_given_twice_says_nothing_of_the_noise() -> None:
    """A recording at twice the camera's rate; then one that holds each frame for a second."""
    rng = np.random.default_rng(2)
    frames = [small_picture(film(world(), rng)) for _ in range(20)]
    for many in (2, 15):
        state, states = Stillness(), []
        for n in range(many * len(frames)):
            state = observe(state, frames[n // many], n * FRAME_S)
            states.append(state)
        assert all(state.still for state in states[7:])
        moved = small_picture(film(world(201.0), rng))
        assert not observe(state, moved, state.latest_s + FRAME_S).still


@pytest.mark.parametrize("codec", ["MJPG", "mp4v", "HFYU"])
@pytest.mark.parametrize("electrons", [2000.0, 20_000.0, 1e9])
def test_a_compressed_video_comes_to_rest(codec: str, electrons: float, tmp_path: Path) -> None:
    """Motion JPEG, MPEG-4 (its quiet blocks are sent anew with every twelfth frame), and one that loses nothing."""
    rng, path = np.random.default_rng(3), str(tmp_path / f"film.{'mp4' if codec == 'mp4v' else 'avi'}")
    writer = cv2.VideoWriter(path, cv2.VideoWriter.fourcc(*codec), 16.0, SIZE[::-1])
    for light in (world(), world(202.0)):
        frames = [film(light, rng, electrons) for _ in range(7)]
        for n in range(35):
            writer.write(frames[n % 7])
    writer.release()
    video, state, states = cv2.VideoCapture(path), Stillness(), list[Stillness]()
    while (frame := video.read())[0]:
        state = observe(state, small_picture(np.asarray(frame[1], np.uint8)), len(states) / 16)
        states.append(state)
    assert [state.still for state in states] == [n % 35 / 16 >= 0.4 for n in range(70)]


def test_flicker_of_the_room_s_light_is_no_change() -> None:
    lights = [world(lamp=1.0 + 0.1 * np.sin(2.1 * n)) for n in range(60)]
    assert all(state.still for state in watch(lights)[7:])


@pytest.mark.parametrize("moved_px", [1.0, 5.0, 60.0])
def test_a_thing_that_moved_begins_the_time_anew(moved_px: float) -> None:
    states = watch([world()] * 10 + [world(200.0 + moved_px)] * 10)
    assert states[9].still
    assert [state.still for state in states[10:]] == [n * FRAME_S >= 0.4 for n in range(10)]


def test_a_slow_slide_is_never_still() -> None:
    """A third of a pixel a frame: no two frames in a row differ much, but those 0.4 s apart do."""
    states = watch([world(200.0 + n / 3) for n in range(60)])
    assert not any(state.still for state in states)


def test_a_change_of_most_of_the_picture_is_no_noise() -> None:
    turned = 0.7 - world()
    states = watch([world()] * 10 + [turned] * 3)
    assert not states[10].still


def test_what_differs_from_a_reference_is_told() -> None:
    rng = np.random.default_rng(4)
    empty, filled = np.full(SIZE, 0.08), world()
    reference = small_picture(film(empty, rng))
    assert not watch([empty] * 8)[-1].changed_from(reference)
    assert watch([filled] * 8)[-1].changed_from(reference)
    assert not Stillness().changed_from(reference)


def test_a_small_picture_is_the_root_of_linear_light() -> None:
    pixels = np.full((90, 120, 3), 188, np.uint8)
    wanted = np.sqrt(linear_from_srgb(np.array([188 / 255.0])))[0]
    assert small_picture(pixels).shape == (90, 120)
    assert small_picture(pixels) == pytest.approx(wanted, abs=0.002)
