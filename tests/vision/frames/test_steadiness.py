"""Marks that stay while something helps, and light that flickers, against closed forms. All pictures are computed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.frames.marks import Marks, Sight, find_marks, look_at, mirrored
from vision.frames.steadiness import Helping, banded, flicker, helping

Floats = NDArray[np.float64]
CENTRES = np.array([[190.3, 150.8], [460.1, 140.4], [182.6, 350.2], [455.0, 345.9]])
RADII = np.array([42.0, 24.0, 14.0, 8.0])


def srgb(linear: Floats) -> NDArray[np.uint8]:
    value = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    return np.rint(255 * np.clip(value, 0.0, 1.0)).astype(np.uint8)


@cache
def scene(around: float = 0.8, scale: float = 1.0, discs: bool = True, blur: float = 1.0) -> Floats:
    """Grey squares with discs on a mat with lines, in linear light, drawn four times finer than it is seen."""
    fine = 4
    picture = np.full((480 * fine, 640 * fine), around)
    middle = np.array([320.0, 240.0])
    for centre, radius in zip((CENTRES - middle) * scale + middle, RADII, strict=True):
        x, y = (fine * centre + (fine - 1) / 2).tolist()
        half = fine * 2.2 * radius * scale
        picture[round(y - half) : round(y + half), round(x - half) : round(x + half)] = 0.35
        if discs:
            shift = 1 << 6
            at = (round(x * shift), round(y * shift))
            cv2.circle(picture, at, round(fine * radius * scale * shift), 0.0, cv2.FILLED, cv2.LINE_8, 6)
    mat = np.full((480, 640), 0.3)
    mat[::37] = 0.5
    seen = mat * (cv2.resize(picture, (640, 480), interpolation=cv2.INTER_AREA) + 0.12)
    return np.asarray(cv2.GaussianBlur(seen, (0, 0), blur))


@cache
def noise(seed: int) -> Floats:
    return np.random.default_rng(seed).normal(0.0, 0.002, (480, 640, 3))


def colour(plane: Floats, gains: tuple[float, float, float] = (1.0, 1.0, 1.0), seed: int = 0) -> NDArray[np.uint8]:
    return srgb(plane[..., None] * np.array(gains) + noise(seed))


@cache
def found() -> Marks:
    linear = [np.repeat(scene(discs=shown)[..., None], 3, axis=2).astype(np.float32) for shown in (False, True)]
    marks = find_marks(*linear)
    assert marks is not None
    return marks


def watched(frames: int = 6, **how: float) -> list[Sight]:
    gains = how.pop("blue", 1.0), 1.0, how.pop("red", 1.0)
    gain = how.pop("gain", 1.0)
    plane = gain * scene(**how)
    return [look_at(colour(plane, gains, seed), found()) for seed in range(frames)]


def accused(seen: Helping) -> set[str]:
    return {name for name in ("exposes", "dims", "balances", "focuses") if getattr(seen, name)}


def helped(**states: dict[str, float]) -> Helping:
    surroundings = {"black": 0.0, "white": 0.8, "red": 0.3, "blue": 0.1}
    return helping(*(watched(around=around, **states.get(name, {})) for name, around in surroundings.items()))


def test_discs_are_found_by_size_wherever_the_mat_has_lines() -> None:
    marks = found()
    assert np.abs(marks.centres_px - CENTRES).max() < 1.0
    assert marks.radii_px == pytest.approx(RADII, rel=0.12)


def test_without_discs_nothing_is_found() -> None:
    plane = np.repeat(scene()[..., None], 3, axis=2).astype(np.float32)
    assert find_marks(plane, plane) is None
    noisy = plane + np.random.default_rng(1).normal(0, 0.004, plane.shape).astype(np.float32)
    assert find_marks(plane, noisy) is None


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_mirror_image_differs_from_any_turn(turns: int) -> None:
    angle = turns * np.pi / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    seen = Marks(CENTRES @ turn.T, RADII)
    assert not mirrored(seen, CENTRES * [2.0, 3.0])
    assert mirrored(replace(seen, centres_px=seen.centres_px * [-1.0, 1.0]), CENTRES * [2.0, 3.0])


def test_scale_is_measured_from_the_discs_places() -> None:
    """Drawn 0.1 % larger, the distances are 0.1 % greater."""
    marks = found()
    first, larger = (look_at(colour(scene(scale=scale)), marks).centres_px for scale in (1.0, 1.001))
    ratios = [np.hypot(*(larger[i] - larger[j])) / np.hypot(*(first[i] - first[j])) for i in range(4) for j in range(i)]
    assert np.median(ratios) - 1.0 == pytest.approx(0.001, abs=0.0003)


def test_a_camera_and_a_lamp_that_do_nothing_are_not_accused() -> None:
    seen = helped()
    assert accused(seen) == set()


def test_stray_light_is_nobodys_doing() -> None:
    seen = helped(white={"gain": 1.08}, red={"red": 1.04}, blue={"blue": 1.04})
    assert accused(seen) == set()


@pytest.mark.parametrize(
    ("states", "who"),
    [
        ({"white": {"gain": 0.85}}, "exposes"),
        ({"black": {"gain": 0.75}}, "dims"),
        ({"red": {"red": 0.9}}, "balances"),
        ({"red": {"scale": 1.001}}, "focuses"),
        ({"black": {"blur": 2.0}}, "focuses"),
    ],
)
def test_each_helper_is_told_from_the_others(states: dict[str, dict[str, float]], who: str) -> None:
    seen = helped(**states)
    assert accused(seen) == {who}


def exposed(exposure: float, period: float, frames: int = 40, rows: int = 30, readout: float = 0.0) -> list[Floats]:
    """Light 1 + 0.5 cos(2 pi t / period), integrated exactly over exposures that begin at odd times: (rows, 3)."""
    begins = np.arange(frames)[:, None] * 0.0683 + np.arange(rows)[None, :] * readout / rows
    w = 2 * np.pi / period
    light = 1 + 0.5 * (np.sin(w * (begins + exposure)) - np.sin(w * begins)) / (w * exposure)
    return [np.repeat(0.2 * one[:, None], 3, axis=1) for one in light]


@pytest.mark.parametrize("whole", [1, 2, 3])
def test_over_whole_periods_nothing_flickers(whole: int) -> None:
    """The integral of a periodic function over whole periods does not depend on where it begins."""
    assert flicker(exposed(whole / 120, 1 / 120, readout=0.03)).worst < 1e-9


def test_flicker_of_half_a_period_more_is_the_integrals_own() -> None:
    """Over 1.5 periods the integral's amplitude is 0.5 / (1.5 pi), its standard deviation that over root 2."""
    seen = flicker(exposed(1.5 / 120, 1 / 120, frames=400))
    assert seen.brightness == pytest.approx(0.5 / (1.5 * np.pi) / np.sqrt(2), rel=0.03)
    assert seen.colour < 1e-9
    assert seen.rows < 1e-9


def test_a_rolling_shutter_shows_flicker_as_bands() -> None:
    seen = flicker(exposed(1.5 / 120, 1 / 120, readout=0.05))  # six periods from top to bottom
    assert seen.rows == pytest.approx(0.5 / (1.5 * np.pi) / np.sqrt(2), rel=0.1)
    assert seen.brightness < 0.1 * seen.rows


def test_frames_to_average_grow_with_the_square_of_flicker() -> None:
    even = flicker(exposed(2 / 120, 1 / 120))
    assert even.frames_to_average == 1
    assert replace(even, brightness=0.008).frames_to_average == 4
    assert replace(even, brightness=0.5).frames_to_average == 12


def test_bands_are_means_of_rows() -> None:
    linear = np.random.default_rng(0).uniform(0, 1, (50, 7, 3)).astype(np.float32)
    bands = banded(linear)
    assert bands.shape == (4, 3)
    assert bands.mean(axis=0) == pytest.approx(linear[:48].mean(axis=(0, 1)), rel=1e-5)
