"""Whether cloth and mat contradict the bow that a fit gives to a printed side: on pictures drawn by exact coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.vision.exact import SENSOR, VIEW, camera
from tests.vision.exact_cloth import Cloth, Mat, Print, light_on_pixels
from tests.vision.exact_cover import encode
from vision.edge.picture import Picture
from vision.edge.pixels.windows import Axes, sample
from vision.edge.start.valley import contradicted
from vision.finding.mat import compare_with_mat, mat_picture
from vision.light import linear_image, mean_light

LEFT, RIGHT, LOW, HIGH = 110.0, 190.0, 90.0, 150.0
DOTS = Print("dots", (0.5, 0.52, 0.5), ((0.1, 0.2, 0.45), (0.15, 0.3, 0.4), (0.6, 0.3, 0.3)))
BLUR_PX, BOW_MM = 0.85, 0.9


def looked_at(sag_mm: float):
    """A printed rectangle whose lower side sags outward by so much, the picture it is in, and its window there."""
    t = np.linspace(-1.0, 1.0, 41)
    low = np.column_stack([(LEFT + RIGHT) / 2 + t * (RIGHT - LEFT) / 2, LOW - sag_mm * (1.0 - t**2)])
    cloth = Cloth(np.vstack([low, [[RIGHT, HIGH], [LEFT, HIGH]]]), DOTS, weave=0.03)
    frames = [
        [encode(light_on_pixels(VIEW, Mat(), on_it, optics_px=SENSOR.optics_px), SENSOR, seed) for seed in seeds]
        for on_it, seeds in (([], range(50, 54)), ([cloth], [3]))
    ]
    bare = mat_picture(mean_light(frames[0]))
    scene = compare_with_mat(linear_image(frames[1][0]), bare, np.ones(frames[1][0].shape[:2], bool))
    picture = Picture.of(scene, camera(), 0.0)
    middle = np.array([[(LEFT + RIGHT) / 2, LOW - 2.0 / 3.0 * sag_mm]])
    axes = Axes.at(picture.camera, 0.0, middle, np.array([[1.0, 0.0]]), np.array([RIGHT - LEFT]))
    window = sample(picture, axes, 10.0, 11.0, np.full((1, 2), 8.0), np.zeros(1, np.int64))
    return window, picture, float(axes.scale[0])


@pytest.mark.parametrize("sag_mm", [0.0, BOW_MM, -BOW_MM])
@pytest.mark.parametrize("told_mm", [0.0, BOW_MM, -BOW_MM])
def test_a_bow_that_is_not_there_is_contradicted(sag_mm, told_mm):
    window, picture, px_per_mm = looked_at(sag_mm)
    # The window's bow is a parabola's height over what is seen of the side, which its trimmed ends shorten.
    seen = (float(window.reach_px()[0]) / ((RIGHT - LEFT) / 2 * px_per_mm)) ** 2
    told_px = np.array([told_mm * px_per_mm * seen])
    against = bool(contradicted(window, picture.noise, picture.encoder, BLUR_PX, told_px)[0])
    assert against == (told_mm != 0.0 and not math.isclose(told_mm, sag_mm))
