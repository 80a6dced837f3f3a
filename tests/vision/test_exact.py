"""The generator of pictures against closed forms and another library, so that figures got on them count."""

import math

import numpy as np
import pytest
import shapely

from tests.vision.exact_cloth import FIGURES, Cloth, Light, Mat, light_on_pixels
from tests.vision.exact_cover import Sensor, View, coverage, encode, linear_of, rings_of

SMALL = View((190, 130), 0.4, 0.07, (81.3, 66.8))
PLAIN = Mat(line_mm=0.0, mottle=0.0, grain=0.0)
SQUARE = np.array([[160.0, 100.0], [200.0, 103.0], [197.0, 139.0], [159.0, 136.0]])


def test_shares_of_cells_are_those_of_shapely():
    rng = np.random.default_rng(1)
    hole = shapely.Point(15.2, 15.1).buffer(4)
    shape = shapely.Polygon(rng.uniform(-5, 40, (3, 2))).union(shapely.box(3, 3, 28.5, 25.0)).difference(hole)
    x, y = np.meshgrid(np.arange(37), np.arange(30))
    cells = shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5)
    assert coverage(rings_of(shape), (30, 37)) == pytest.approx(
        shapely.area(shapely.intersection(cells, shape)), abs=1e-12
    )


def test_a_blurred_edge_is_the_error_function():
    """A long side at a slant, Gaussian optics, square pixels: the square's own width across the side, exact to 2e-3.

    Reference: the half-plane's light through the Gaussian and the square, integrated along the square's two axes.
    """
    light = light_on_pixels(SMALL, PLAIN, [Cloth(SQUARE)], optics_px=0.7)[..., 1]
    a, b = SMALL.px_of_mm(SQUARE[:2])
    along = (b - a) / np.hypot(*(b - a))
    normal = np.array([-along[1], along[0]])  # away from the cloth, as y runs down
    x, y = np.meshgrid(np.arange(190), np.arange(130))
    place = np.stack([x, y], axis=-1) - a
    d, t = place @ normal, place @ along
    near = (np.abs(d) < 4) & (t > 8) & (t < np.hypot(*(b - a)) - 8)
    steps = (np.arange(8) + 0.5) / 8 - 0.5
    inside = [
        0.5 * math.erfc((one + u * normal[0] + v * normal[1]) / 0.7 / math.sqrt(2))
        for one in d[near]
        for u in steps
        for v in steps
    ]
    expected = 0.08 + 0.52 * np.array(inside).reshape(-1, 64).mean(axis=1)
    assert light[near] == pytest.approx(expected, abs=2e-3)
    assert np.mean(light[near] - expected) == pytest.approx(0.0, abs=2e-4)


def test_the_pixels_are_where_the_camera_says():
    assert SMALL.camera().px_from_mat(SQUARE) == pytest.approx(SMALL.px_of_mm(SQUARE), abs=1e-9)
    assert SMALL.mm_of_px(SMALL.px_of_mm(SQUARE)) == pytest.approx(SQUARE)


def test_cloth_hides_the_line_beneath_it():
    """Over a crossing of wide lines only the part beside the cloth shows."""
    wide = Mat(line_mm=4.0, mottle=0.0, grain=0.0)
    light = light_on_pixels(
        SMALL, wide, [Cloth(np.array([[150.0, 90.0], [210.0, 90.0], [210.0, 115.0], [150.0, 115.0]]))]
    )
    under, beside = (np.rint(SMALL.px_of_mm(np.array([177.8, y]))).astype(int) for y in (101.6, 122.0))
    assert light[under[1], under[0]] == pytest.approx(0.6, abs=1e-3)
    assert light[beside[1], beside[0]] == pytest.approx(0.28, abs=1e-3)


@pytest.mark.parametrize("kind", FIGURES)
def test_figures_cover_what_they_should(kind):
    u, v = np.random.default_rng(4).uniform(0, 36, (2, 1000, 1000)).astype(np.float32)
    figures = FIGURES[kind](u, v, 0.45)
    assert np.mean(figures > 0) == pytest.approx(0.45, abs=0.01 if kind != "flowers" else 0.02)
    assert set(np.unique(figures)) == {0, 1, 2, 3}


def test_noise_is_as_stated_in_encoded_values():
    """36 dB at 18 % grey: a standard deviation of 1 / 63.1 of full scale, 4.04 bytes; of 8 bits' rounding 0.29 more."""
    flat = np.full((300, 400, 3), 0.18, np.float32)
    pixels = encode(flat, Sensor(noise_db=36.0), 5).astype(float)
    assert pixels.std() == pytest.approx(math.hypot(255 / 10 ** (36 / 20), 0.29), rel=0.01)
    assert linear_of([encode(flat, Sensor(), k) for k in range(3)]).mean() == pytest.approx(0.18, rel=0.01)


def test_a_shadow_dims_the_mat_and_not_the_cloth():
    hard = Light(shadow=0.4, shift_mat_mm=(3.0, 0.0), soft_mm=0.0)
    light = light_on_pixels(SMALL, PLAIN, [Cloth(SQUARE)], (hard,))[..., 1]
    inside, shaded, bare = (
        np.rint(SMALL.px_of_mm(np.array(p))).astype(int) for p in ((180.0, 120.0), (200.0, 115.0), (206.0, 115.0))
    )
    assert light[inside[1], inside[0]] == pytest.approx(0.6, abs=1e-3)
    assert light[shaded[1], shaded[0]] == pytest.approx(0.6 * 0.08, abs=1e-3)
    assert light[bare[1], bare[0]] == pytest.approx(0.08, abs=1e-3)
