"""Patterns, and what a camera of the test's own makes of them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.beam.decoding import Decoded, Suited, decode, suit_white
from calibration.beam.mesh import mesh
from calibration.beam.patterns import Patterns, from_gray_code, gray_code
from calibration.beam.steady import Bumped


def test_gray_code_is_the_published_sequence():
    # OEIS A003188
    published = [0, 1, 3, 2, 6, 7, 5, 4, 12, 13, 15, 14, 10, 11, 9, 8, 24, 25, 27, 26, 30, 31, 29, 28, 20, 21]
    assert gray_code(np.arange(26)).tolist() == published


@given(st.integers(0, 2**31 - 1))
def test_gray_code_neighbours_differ_in_one_bit_and_there_is_a_way_back(n):
    pair = gray_code(np.array([n, n + 1]))
    assert int(pair[0] ^ pair[1]).bit_count() == 1
    assert from_gray_code(pair).tolist() == [n, n + 1]


@pytest.mark.parametrize("size", [(854, 480), (1280, 800), (1920, 1080), (3840, 2160)])
def test_patterns_are_few_and_of_native_size(size):
    patterns = Patterns(size)
    assert len(patterns) <= 40
    first = next(iter(patterns))
    assert first.shape == (size[1], size[0], 3)
    assert first.dtype == np.uint8


def test_there_are_as_many_as_told():
    patterns = Patterns((97, 61))
    assert sum(1 for _ in patterns) == len(patterns)


def seen(picture, column, row, reflectance, *, gamma, glow, noise, rng):
    """A camera picture by nearest projector pixel: each camera pixel looks at (column, row)."""
    h, w, _ = picture.shape
    u, v = np.rint(column).astype(int), np.rint(row).astype(int)
    lit = (u >= 0) & (u < w) & (v >= 0) & (v < h)
    light = np.where(lit, picture[np.clip(v, 0, h - 1), np.clip(u, 0, w - 1), 0] / 255.0, 0.0) ** gamma
    light = reflectance * (0.8 * light + glow) + rng.normal(0, noise, light.shape)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    grey = np.rint(255 * np.clip(encoded, 0, 1)).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


@pytest.mark.parametrize("gamma", [1.0, 1.8, 2.2, 2.8])
def test_the_projectors_tone_curve_does_not_move_the_reading(gamma):
    """Each camera pixel sees one projector pixel exactly: what is read must be that pixel."""
    size, rng = (230, 150), np.random.default_rng(1)
    y, x = np.mgrid[:110, :170].astype(float)
    column, row = np.rint(1.2 * x + 0.3 * y), np.rint(-0.2 * x + 1.1 * y + 30)
    frames = [seen(p, column, row, 0.8, gamma=gamma, glow=0.02, noise=0.0, rng=rng) for p in Patterns(size)]
    decoded = decode(frames, size)
    known = np.isfinite(decoded.projector_px[..., 0])
    lit = (column >= 0) & (column < size[0]) & (row >= 0) & (row < size[1])
    assert np.array_equal(known, lit)
    miss = decoded.projector_px[known] - np.stack([column, row], axis=-1)[known]
    # eight steps leave the seventh and ninth harmonics, small for any tone curve, and the rounding to 8 bits
    assert np.abs(miss).max() < 0.25
    assert np.abs(miss.mean(axis=0)).max() < 0.01


def test_a_dark_mat_with_grid_lines_and_noise():
    size, rng = (320, 200), np.random.default_rng(2)
    y, x = np.mgrid[:280, :400].astype(float)
    column, row = 0.71 * x + 0.05 * y + 4 + 1e-4 * x * y, -0.04 * x + 0.68 * y + 14
    reflectance = np.where((x % 44 < 2) | (y % 44 < 2), 0.28, 0.06)
    frames = [seen(p, column, row, reflectance, gamma=2.2, glow=0.03, noise=0.004, rng=rng) for p in Patterns(size)]
    points = mesh(decode(frames, size), most=200)
    assert len(points.camera_px) > 100
    at = points.camera_px.astype(int)
    true = np.stack([column, row], axis=-1)[at[:, 1], at[:, 0]]
    z = (points.projector_px - true) / points.u_px
    assert np.sqrt(np.mean((points.projector_px - true) ** 2)) < 0.1
    assert 0.5 < np.sqrt(np.mean(z**2)) < 2.0


def test_no_light_gives_no_points():
    size = (320, 200)
    dark = [np.full((120, 160, 3), 7, np.uint8)] * len(Patterns(size))
    decoded = decode(dark, size)
    assert not np.isfinite(decoded.projector_px).any()
    assert len(mesh(decoded).camera_px) == 0


def test_a_wrong_number_of_frames_is_refused():
    size = (64, 48)
    frame = np.zeros((30, 40, 3), np.uint8)
    for count in (len(Patterns(size)) - 1, len(Patterns(size)) + 1):
        with pytest.raises(ValueError, match="frames"):
            decode([frame] * count, size)


def scene(size, *, white=255, reflectance=0.5, gamma=2.2, glow=0.01, noise=0.002, bump=(0.0, 0.0), at=10**9, seed=3):
    """Frames of all patterns on a mat; from picture number `at` on the light is moved by `bump` projector pixels."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:280, :400].astype(float)
    column, row = 0.71 * x + 0.05 * y + 4 + 1e-4 * x * y, -0.04 * x + 0.68 * y + 14
    true = np.stack([column, row], axis=-1)
    frames = []
    for n, picture in enumerate(Patterns(size, white)):
        dx, dy = bump if n >= at else (0.0, 0.0)
        frames.append(seen(picture, column + dx, row + dy, reflectance, gamma=gamma, glow=glow, noise=noise, rng=rng))
    return frames, true


def misses(points, true):
    at = points.camera_px.astype(int)
    return points.projector_px - true[at[:, 1], at[:, 0]]


@pytest.mark.parametrize("at", [3, 6, 12, 20, 25, 31])
@pytest.mark.parametrize("bump", [(1.0, 0.0), (0.0, -2.0), (9.0, 5.0), (40.0, -17.0)])
def test_a_bump_in_the_middle_of_the_patterns_is_told(at, bump):
    frames, _ = scene((320, 200), bump=bump, at=min(at, len(Patterns((320, 200))) - 1))
    read = decode(frames, (320, 200))
    assert isinstance(read, Bumped)
    assert read.by_px > 0.3


def test_noise_and_a_flickering_lamp_are_no_bump():
    for seed in range(12):
        frames, _ = scene((320, 200), reflectance=0.05, noise=0.004, seed=seed)
        assert isinstance(decode(frames, (320, 200)), Decoded)
    dimmed = [np.rint(f * 0.97).astype(np.uint8) if n % 2 else f for n, f in enumerate(scene((320, 200))[0])]
    assert isinstance(decode(dimmed, (320, 200)), Decoded)


def test_a_glossy_spot_is_left_out():
    size = (320, 200)
    spot = np.zeros((280, 400), bool)
    spot[100:140, 150:220] = True
    frames, true = scene(size)
    frames = [np.where(spot[:, :, None], np.uint8(255), f) for f in frames]
    frames = [f.copy() for f in frames]
    read = decode(frames, size)
    assert not np.isfinite(read.projector_px[spot]).any()
    assert np.abs(misses(mesh(read, most=200), true)).max() < 0.2


@pytest.mark.parametrize("white", [255, 150, 90])
def test_the_top_level_may_be_any(white):
    frames, true = scene((320, 200), white=white)
    points = mesh(decode(frames, (320, 200)), most=200)
    assert len(points.camera_px) > 100
    assert np.sqrt(np.mean(misses(points, true) ** 2)) < 0.1


def test_no_black_and_a_bright_room_do_not_shift_the_reading():
    frames, true = scene((320, 200), glow=0.3)
    points = mesh(decode(frames, (320, 200)), most=200)
    assert len(points.camera_px) > 100
    assert np.sqrt(np.mean(misses(points, true) ** 2)) < 0.1


@pytest.mark.parametrize("gain", [0.02, 0.3, 0.7, 1.5, 6.0])
@pytest.mark.parametrize("gamma", [1.8, 2.6])
def test_the_top_level_settles_where_nothing_clips_and_the_range_is_used(gain, gamma):
    def frame(level):
        light = np.clip(gain * (0.9 * (level / 255) ** gamma + 0.01), 0, 1)
        return np.full((20, 30, 3), np.rint(255 * light ** (1 / 2.2)).astype(np.uint8))

    shown = 255
    for _ in range(8):
        suited = suit_white(frame(shown), frame(0), shown)
        if suited.white == shown:
            break
        shown = suited.white
    peak = (frame(shown)[0, 0, 0] / 255) ** 2.2
    assert frame(shown)[0, 0, 0] < 251
    assert peak > 0.5 or shown == 255
    assert (suited.exposure > 1.2) == (gain * 0.9 < 0.55)


def test_no_light_asks_for_a_longer_exposure():
    dark = np.full((20, 30, 3), 4, np.uint8)
    assert suit_white(dark, dark) == Suited(255, 4.0)


@pytest.mark.parametrize("curve", ["gamma 2.6", "S"])
def test_a_projector_out_of_focus_with_a_curve_of_its_own_is_read_as_well(curve):
    size = (320, 200)
    y, x = np.mgrid[:280, :400].astype(np.float32)
    column, row = 0.71 * x + 0.05 * y + 4, -0.04 * x + 0.68 * y + 14
    frames, rng = [], np.random.default_rng(5)
    for picture in Patterns(size):
        shown = picture[:, :, 0] / 255.0
        light = shown**2.6 if curve == "gamma 2.6" else 3 * shown**2 - 2 * shown**3
        soft = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 4.0, borderType=cv2.BORDER_REPLICATE)
        seen_light = 0.4 * cv2.remap(soft, column, row, cv2.INTER_LINEAR) + 0.02 + rng.normal(0, 0.002, x.shape)
        grey = np.rint(255 * np.clip(seen_light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
        frames.append(np.repeat(grey[:, :, None], 3, axis=2))
    points = mesh(decode(frames, size), most=200)
    true = np.stack([column, row], axis=-1)
    inner = np.all(
        (points.projector_px > 16) & (points.projector_px < np.array(size) - 17), axis=1
    )  # a blur bends rims
    off = misses(points, true)[inner]
    assert len(off) > 100
    assert np.sqrt(np.mean(off**2)) < 0.05


def test_grid_lines_shift_no_point():
    """Same light, same noise, with and without lines printed on the mat, seen through a soft camera lens."""
    size = (320, 200)
    y, x = np.mgrid[:280, :400].astype(np.float32)
    column, row = 0.71 * x + 0.05 * y + 4, -0.04 * x + 0.68 * y + 14
    lines = np.where((x % 37 < 2) | (y % 37 < 2), 0.5, 0.1).astype(np.float32)
    frames = []
    for picture in Patterns(size):
        light = cv2.remap((picture[:, :, 0] / 255.0).astype(np.float32) ** 2.2, column, row, cv2.INTER_LINEAR)
        light = cv2.GaussianBlur(lines * (0.8 * light + 0.02), (0, 0), 0.8)
        grey = np.rint(255 * light ** (1 / 2.2)).astype(np.uint8)
        frames.append(np.repeat(grey[:, :, None], 3, axis=2))
    off = misses(mesh(decode(frames, size), most=300), np.stack([column, row], axis=-1))
    assert len(off) > 100
    assert np.sqrt(np.mean(off**2)) < 0.02
    assert np.abs(off).max() < 0.1
