"""The tone curve from light that adds up, seen by a camera whose curve is known.

Curves: power laws and the published curves of ITU-R BT.709-6 (item 1.2) and IEC 61966-2-1.
"""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest

from calibration.beam.adding import find_tone, tone_count, tone_pictures
from calibration.tone import SRGB

SIZE = (480, 270)


def srgb(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def bt709(light):
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


CURVES = {"sRGB": srgb, "BT.709": bt709, "1.8": lambda v: v ** (1 / 1.8), "2.6": lambda v: v ** (1 / 2.6)}


def camera_of(curve, *, gamma=2.2, reflectance=0.85, room=0.05, follow=0.0, noise=0.003, seed=1):
    """A camera at an angle over a projector whose own curve, blur and black are its business."""
    rng = np.random.default_rng(seed)
    turned = np.array([[0.9, 0.03, 3.0], [-0.03, 0.9, 20.0]])

    def see(picture):
        light = (picture[:, :, 1] / 255.0) ** gamma
        light = light * (1.0 - follow * (1.0 - light.mean())) + 1 / 200
        light = cv2.GaussianBlur(light, (0, 0), 0.8)
        light = reflectance * (0.8 * cv2.warpAffine(light, turned, (440, 246)) + room)
        light = light + noise * np.sqrt(np.maximum(light, 0.001) / 0.18) * rng.normal(size=light.shape)
        grey = np.rint(255 * np.clip(curve(np.clip(light, 0.0, 1.0)), 0.0, 1.0)).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)

    return see


def off_percent(tone, curve, low, high):
    """Worst miss of the true light over the bytes of that light, up to factor and offset, in % of its span."""
    light = np.linspace(0.0, 1.0, 20001)
    at = np.arange(int(255 * curve(np.array(low))) + 1, int(255 * curve(np.array(high))))
    true = np.interp(at, 255 * curve(light), light)
    affine = np.stack([np.ones(len(at)), true], axis=1)
    found = tone.linear_of_byte[at]
    rest = found - affine @ np.linalg.lstsq(affine, found, rcond=None)[0]
    return 100 * np.abs(rest).max() / np.ptp(found)


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("gamma", [1.0, 2.6])
def test_the_curve_is_found_whatever_the_projectors_own(name, gamma):
    see = camera_of(CURVES[name], gamma=gamma)
    tone = find_tone(see(p) for p in tone_pictures(SIZE))
    assert tone.how.startswith("measured: ")
    assert off_percent(tone, CURVES[name], 0.1, 0.65) < 1.0
    assert np.all(np.diff(tone.linear_of_byte) > 0)
    assert tone.linear_of_byte[[0, 255]].tolist() == [0.0, 1.0]
    if name != "sRGB":
        assert off_percent(tone, CURVES[name], 0.1, 0.65) < 0.5 * off_percent(SRGB, CURVES[name], 0.1, 0.65)


def stated_beyond(tone) -> float:
    """In parts of full light."""
    return float(re.search(r"known to ([\d.]+) % of full light beyond", tone.how).group(1)) / 100


@pytest.mark.parametrize("name", CURVES)
def test_beyond_the_light_seen_no_more_is_claimed_than_is_known(name):
    tone = find_tone(camera_of(CURVES[name], seed=4)(p) for p in tone_pictures(SIZE))
    low, high = (int(n) for n in re.search(r"from byte value (\d+) to (\d+)", tone.how).groups())
    light = np.linspace(0.0, 1.0, 20001)
    true = np.interp(np.arange(256), 255 * CURVES[name](light), light)
    affine = np.stack([np.ones(256), true], axis=1)
    by_seen = np.linalg.lstsq(affine[low : high + 1], tone.linear_of_byte[low : high + 1], rcond=None)[0]
    off = np.abs(tone.linear_of_byte - affine @ by_seen)[2:254]
    assert off.max() < 3 * stated_beyond(tone)


@pytest.mark.parametrize("name", CURVES)
def test_a_bare_dark_mat_shows_too_little_of_the_scale(name):
    """Seen up to a third of the byte values: any two usual curves could be continued from there."""
    tone = find_tone(camera_of(CURVES[name], reflectance=0.09, room=0.2)(p) for p in tone_pictures(SIZE))
    assert np.array_equal(tone.linear_of_byte, SRGB.linear_of_byte)
    assert re.search(r"not measured: the light spans byte values \d+ to \d+ only", tone.how)
    assert ("where sRGB's curve is off by 0." in tone.how) == (name == "sRGB")


def test_pictures_of_one_level_are_equally_bright_so_that_a_lamp_has_nothing_to_follow():
    pictures = list(tone_pictures(SIZE))
    assert len(pictures) == tone_count()
    for n in range(0, tone_count() - 1, 4):
        means = [p.mean() for p in pictures[n : n + 4]]
        assert np.ptp(means) < 0.07 * np.mean(means)  # blocks at the rim are not whole
        assert len({m for p in pictures[n : n + 4] for m in np.unique(p)}) == 2


def test_a_lamp_that_follows_the_picture_is_told():
    see = camera_of(srgb, follow=0.3)
    assert "the lamp follows the picture" in find_tone(see(p) for p in tone_pictures(SIZE)).how
    see = camera_of(srgb)
    assert "follows" not in find_tone(see(p) for p in tone_pictures(SIZE)).how


def test_thin_evidence_keeps_srgb_and_says_so():
    see = camera_of(srgb, reflectance=0.01)
    tone = find_tone(see(p) for p in tone_pictures(SIZE))
    assert "not measured" in tone.how
    assert np.array_equal(tone.linear_of_byte, SRGB.linear_of_byte)


def test_a_projector_that_mixes_its_pixels_unequally_is_not_believed():
    """A picture that is scaled before it is shown mixes encoded values: its light does not add up."""
    see = camera_of(srgb)
    scaled = (
        cv2.resize(cv2.resize(p, (677, 381), interpolation=cv2.INTER_LINEAR), SIZE, interpolation=cv2.INTER_LINEAR)
        for p in tone_pictures(SIZE)
    )
    tone = find_tone(see(p) for p in scaled)
    assert "not measured" in tone.how


def test_a_wrong_number_of_frames_is_refused():
    with pytest.raises(ValueError, match="frames"):
        find_tone([np.zeros((20, 30, 3), np.uint8)] * 3)
