"""The projector's light alone, and the choice of its colour."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.lamplight.lamp import LampShadow, best_colour, in_lamp_light, separation

SHAPE = (40, 60)
NOISE = 0.01
CLOTH = np.zeros(SHAPE, bool)
CLOTH[10:30, 10:40] = True
MAT = ~CLOTH


def seen(light, cloth, mat, seed=1, noise=NOISE):
    """Cloth and mat of reflectances (3,), blue green red, in a lamp's light (3,)."""
    scene = np.where(CLOTH[..., None], np.array(cloth), np.array(mat)) * np.array(light)
    return (scene + np.random.default_rng(seed).normal(0, noise, (*SHAPE, 3))).astype(np.float32)


def test_the_rooms_light_and_its_shadow_are_gone():
    room = np.linspace(0.05, 0.4, SHAPE[1])[None, :, None] * np.array([0.6, 0.8, 1.0])
    lamp = np.where(CLOTH, 0.5, 0.1)[..., None] * np.array([0.4, 0.4, 0.4])
    alone = in_lamp_light((room + lamp).astype(np.float32), room.astype(np.float32) * np.ones((40, 1, 1), np.float32))
    assert alone == pytest.approx(lamp, abs=1e-6)


def test_frames_of_two_sizes_are_a_wrong_call():
    with pytest.raises(ValueError, match="one camera"):
        in_lamp_light(np.zeros((2, 3, 3), np.float32), np.zeros((2, 4, 3), np.float32))


def test_separation_counts_standard_deviations():
    # three channels apart by 2 standard deviations each, noises independent: sqrt(3) * 2
    light = seen((1, 1, 1), (0.12,) * 3, (0.10,) * 3, noise=0.01)
    assert separation(light, CLOTH, MAT) == pytest.approx(2 * math.sqrt(3), rel=0.1)
    assert separation(light, np.zeros(SHAPE, bool), MAT) == 0.0


@pytest.mark.parametrize(
    ("cloth", "mat", "best"),
    [
        ((0.10, 0.10, 0.60), (0.10, 0.10, 0.10), "red"),
        ((0.60, 0.10, 0.10), (0.10, 0.10, 0.10), "blue"),
        ((0.60, 0.60, 0.60), (0.10, 0.10, 0.10), "white"),
    ],
)
def test_the_colour_that_tells_them_apart(cloth, mat, best):
    # a projector's primaries are brighter alone than in its white: there the lamp's power is shared
    lamps = {"white": (0.6, 0.6, 0.6), "blue": (1.0, 0, 0), "green": (0, 1.0, 0), "red": (0, 0, 1.0)}
    looks = {name: seen(light, cloth, mat, seed) for seed, (name, light) in enumerate(lamps.items())}
    assert best_colour(looks, CLOTH, MAT) == best


def test_the_first_colour_is_kept_where_none_is_better():
    looks = {name: seen((1, 1, 1), (0.3,) * 3, (0.1,) * 3, seed) for seed, name in enumerate(("green", "white", "red"))}
    assert best_colour(looks, CLOTH, MAT) == "green"
    with pytest.raises(ValueError, match="no looks"):
        best_colour({}, CLOTH, MAT)


def test_a_shadow_falls_away_from_the_lens_by_similar_triangles():
    # a lens 1000 mm above cloth of 0.5 mm: 300 mm beside its foot the shadow is 300 * 0.5 / 1000 long
    lamp = LampShadow(np.array([100.0, 50.0, 1000.5]), 1.0, 0.1)
    fallen = lamp.shadow_mm(np.array([[400.0, 50.0], [100.0, -150.0]]), 0.5)
    assert fallen == pytest.approx(np.array([[0.15, 0.0], [0.0, -0.1]]))
